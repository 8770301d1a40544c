package drifttest

import (
	"fmt"
	"time"

	"pgregory.net/rapid"

	"arcdrift/drift"
)

// Lives draws the entries of one machine over some days, in order of arrival: mostly arc
// counts, with attempts, services, splices and corrections, counters that fall, sessions
// that are typed, numbered sources and a clock that is wrong sometimes. All begin after
// the given moment.
func Lives(after time.Time) *rapid.Generator[[]drift.Entry] {
	return rapid.Custom(func(t *rapid.T) []drift.Entry {
		chance := func(percent int) bool { return rapid.IntRange(0, 99).Draw(t, "chance") < percent }
		var out []drift.Entry
		now, count, wild := after, int64(rapid.IntRange(0, 3000).Draw(t, "count")), chance(20)
		for i := range rapid.IntRange(0, 40).Draw(t, "entries") {
			now = now.Add(time.Duration(rapid.IntRange(1, 400).Draw(t, "minutes")) * time.Minute)
			count += int64(rapid.IntRange(0, 9).Draw(t, "arcs"))
			if chance(4) {
				count = int64(rapid.IntRange(0, int(count)).Draw(t, "fallen"))
			}
			e := drift.Entry{Record: drift.Record{ID: fmt.Sprintf("%d-%d", after.Unix(), i), Machine: "K-07", Time: now}, Received: now, StoreEpoch: 1, StoreSeq: uint64(len(out) + 1)}
			live(t, &e, count, chance, out)
			if chance(30) {
				e.Source, e.Seq = rapid.SampledFrom([]string{"van-3", "van-4"}).Draw(t, "source"), drift.Some(e.Time.Unix())
				if wild && chance(20) {
					e.Time = e.Time.Add(time.Duration(rapid.IntRange(-9999, 9999).Draw(t, "wild")) * time.Minute)
				}
			}
			if chance(5) {
				e.Site = rapid.SampledFrom([]string{"quarry", "harbour"}).Draw(t, "site")
			}
			out = append(out, e)
		}
		return out
	})
}

// live gives an entry its type and the fields of that.
func live(t *rapid.T, e *drift.Entry, count int64, chance func(int) bool, before []drift.Entry) {
	e.Type, e.ArcCount = drift.TypeUsage, drift.Some(count)
	switch kind := rapid.IntRange(0, 99).Draw(t, "kind"); {
	case kind < 65:
	case kind < 80:
		e.Type = drift.TypeCalibration
		e.Calibration = &drift.Calibration{Passed: drift.Some(chance(70)), MeltbackLeft: drift.Some(float64(rapid.IntRange(235, 265).Draw(t, "meltback"))),
			Target: drift.Some(250.0), Tolerance: drift.Some(10.0), PowerSetting: drift.Some(1.5)}
		if chance(15) { // somebody types it, perhaps again
			e.Via, e.Calibration = "form", &drift.Calibration{Passed: drift.Some(chance(70)), Attempts: drift.Some(int64(rapid.IntRange(1, 3).Draw(t, "typed")))}
		}
	case kind < 85:
		e.Type = drift.TypeService
		e.Service = &drift.Service{Action: rapid.SampledFrom([]drift.Action{drift.Cleaned, drift.Replaced, drift.Inspected}).Draw(t, "action")}
	case kind < 90:
		e.Type, e.ArcCount = drift.TypeSplice, drift.Opt[int64]{}
		e.Splice = &drift.Splice{Count: drift.Some(int64(3))}
	case len(before) > 0:
		corrected := &before[rapid.IntRange(0, len(before)-1).Draw(t, "corrected")]
		e.Type, e.ArcCount = drift.TypeCorrection, drift.Opt[int64]{}
		e.Correction = &drift.Correction{Corrects: corrected.ID, Reason: "misread", Changes: []drift.Change{{Field: "arc_count", Value: count}}}
		if chance(40) {
			e.Correction.Changes[0] = drift.Change{Field: "time", Value: corrected.Time.Add(time.Duration(rapid.IntRange(-300, 300).Draw(t, "moved")) * time.Minute)}
		}
	}
	if e.Type != drift.TypeUsage && chance(30) {
		e.ArcCount = drift.Opt[int64]{}
	}
}
