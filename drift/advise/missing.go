package advise

import "arcdrift/drift/model"

// missing names what the records leave out of what required power is worked out
// from, and how it could be told.
func missing(m *model.Machine, grade Grade) []string {
	switch what := m.Missing(); {
	case what.Learnt:
		t, _ := m.Params().Target.Get()
		return []string{"These records do not tell the meltback aimed at: " + number(t) + " µm is that of other machines of the model. Send meltback_target_um, or set target_um for the model, to be sure."}
	case grade == Full:
		return nil
	case what.Target && !what.Meltback && !what.Setting:
		return []string{"Required power is inferred: these records carry meltback and setting, but not the meltback aimed at. Send meltback_target_um, or set target_um for the model."}
	case what.Meltback && !what.Setting:
		return []string{"Required power is inferred: these records carry the setting, but not the meltback (meltback_left_um, meltback_right_um)."}
	case what.Setting && !what.Meltback:
		return []string{"Required power is inferred: these records carry the meltback, but not the setting (power_setting_pct)."}
	}
	return []string{"Required power is inferred: these records do not carry both meltback and setting."}
}
