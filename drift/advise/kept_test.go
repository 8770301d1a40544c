package advise

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// A week of one machine: of what the rules asked for, what was made before it was
// used.
func TestHowTheRulesWereKept(t *testing.T) {
	day := func(d, minutes int) time.Time { return at7(minutes).AddDate(0, 0, d) }
	week := []happened{
		pass(day(0, 0)).at("Mill Lane"), spliced(day(0, 60), 8).at("Mill Lane"), spliced(day(0, 120), 8).at("Mill Lane"), // Monday, in order
		spliced(day(1, 60), 8).at("Mill Lane"),                                          // Tuesday, not checked
		pass(day(2, 0)).at("Mill Lane"), served(day(2, 60), drift.Replaced, drift.Worn), // Wednesday, a new pair,
		spliced(day(2, 90), 4).at("Mill Lane").onPair(1),                                            // used at once
		pass(day(3, 0)).at("Tarn Pass").onPair(1), spliced(day(3, 60), 8).at("Tarn Pass").onPair(1), // Thursday, elsewhere, checked there
		pass(day(4, 0)).at("Tarn Pass").onPair(1), spliced(day(4, 60), 8).at("Mill Lane").onPair(1), // Friday, checked before the drive
		pass(day(5, 0)).at("Mill Lane").onPair(1), // Saturday, no use on record
	}
	w := Watch{Zone: oslo(t), Every: 1, Model: "type-2"}
	var owed []Owed
	for i := range week {
		owed = append(owed, w.Update(&drift.Entry{Record: week[i].Record}, week[i].pair)...)
	}
	assert.Equal(t, []KeptRow{
		{Week: "2026-W10", Name: "Mill Lane", BeforeFirst: Tally{4, 3}, AfterService: Tally{1, 0}, AfterMove: Tally{1, 0}},
		{Week: "2026-W10", Name: "Tarn Pass", BeforeFirst: Tally{1, 1}, AfterMove: Tally{1, 1}},
	}, KeptBy(BySite, owed))
	assert.Equal(t, []KeptRow{{Week: "2026-W10", Name: "type-2", BeforeFirst: Tally{5, 4}, AfterService: Tally{1, 0}, AfterMove: Tally{2, 1}}}, KeptBy(ByModel, owed))

	// Where the daily check is off nothing is owed at the start of a day.
	w = Watch{Zone: oslo(t), Model: "type-2"}
	owed = nil
	for i := range week {
		owed = append(owed, w.Update(&drift.Entry{Record: week[i].Record}, week[i].pair)...)
	}
	assert.Equal(t, []KeptRow{{Week: "2026-W10", Name: "type-2", AfterService: Tally{1, 0}, AfterMove: Tally{2, 1}}}, KeptBy(ByModel, owed))
}

// A check after the first splices at a place keeps no rule.
func TestALateCheckKeepsNoRule(t *testing.T) {
	w := Watch{Zone: time.UTC}
	late := pass(at7(80)).at("Tarn Pass")
	late.Calibration.Trigger = "moved"
	var owed []Owed
	for _, h := range []happened{pass(at7(0)).at("Mill Lane"), spliced(at7(70), 3).at("Tarn Pass"), late, spliced(at7(90), 3).at("Tarn Pass")} {
		owed = append(owed, w.Update(&drift.Entry{Record: h.Record}, h.pair)...)
	}
	assert.Equal(t, []Owed{{Rule: Moved, Time: at7(70), Site: "Tarn Pass"}}, owed, "counted once, when it was used")
}

// A move and a new pair that the calibration itself reports were checked.
func TestChecksThatReportWhatTheyAreFor(t *testing.T) {
	w := Watch{Zone: time.UTC, Every: 0}
	up := pass(at7(60))
	up.Calibration.Altitude = some(900)
	low := pass(at7(0))
	low.Calibration.Altitude = some(100)
	var owed []Owed
	for _, h := range []happened{low, up, spliced(at7(70), 3), pass(at7(80)).onPair(1), spliced(at7(90), 3).onPair(1), counted(at7(100), 9).onPair(2)} {
		owed = append(owed, w.Update(&drift.Entry{Record: h.Record}, h.pair)...)
	}
	assert.Equal(t, []Owed{
		{Rule: Moved, Time: at7(70), Kept: true},
		{Rule: ElectrodeWork, Time: at7(90), Kept: true},
		{Rule: ElectrodeWork, Time: at7(100), Kept: false},
	}, owed)
}
