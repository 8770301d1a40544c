package advise

import (
	"arcdrift/drift/model"
	"arcdrift/drift/phrase"
)

// missing names what the records leave out of what required power is worked out
// from, and how to state it.
func missing(m *model.Machine, grade Grade) []string {
	switch what := m.Missing(); {
	case what.Learnt:
		t, _ := m.Params().Target.Get()
		return []string{"The records do not state the meltback target. The target of other machines of this model, " + phrase.Quantity(t, "µm") + ", is used. Send meltback_target_um, or set target_um for the model."}
	case grade == Full:
		return nil
	case what.Target && !what.Meltback && !what.Setting:
		return []string{"Required power is inferred: the records state meltback and setting, but not the meltback target. Send meltback_target_um, or set target_um for the model."}
	case what.Meltback && !what.Setting:
		return []string{"Required power is inferred: the records state the setting, but not the meltback (meltback_left_um, meltback_right_um)."}
	case what.Setting && !what.Meltback:
		return []string{"Required power is inferred: the records state the meltback, but not the setting (power_setting_pct)."}
	}
	return []string{"Required power is inferred: the records do not state both meltback and setting."}
}
