package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/advise"
)

func TestMovedSaysTheFourAnswers(t *testing.T) {
	const query = "/moved?machine=K-07&temperature_c=22&humidity_pct=50&altitude_m=1390"
	for _, c := range []struct {
		answer advise.MoveAnswer
		parts  []string
	}{
		{advise.MoveAnswer{Answer: advise.Recalibrate, ProbabilityOut: some(0.63), Evidence: advise.ThisMachine}, []string{"Recalibrate now", "About 6 in 10 attempts would be out", "this machine's own records", "eye protection"}},
		{advise.MoveAnswer{Answer: advise.Wait, WaitMinutes: some(25), DewPoint: some(11.1), Evidence: advise.MachinesLikeIt}, []string{"Wait 25 minutes with the lid shut, then recalibrate", "shut while the machine warms up", "Never fire an arc with wet electrodes"}},
		{advise.MoveAnswer{Answer: advise.Wait, Evidence: advise.RuleOfThumb}, []string{"Wait until the machine is warm and dry"}},
		{advise.MoveAnswer{Answer: advise.NoNeed, ProbabilityOut: some(0.02), Cost: advise.Cost{CheckMinutes: 5, OutMinutes: 60}}, []string{"No need to recalibrate", "About 2 in 100 attempts would be out", "a check costs 5 minutes, being out costs 60 minutes"}},
		{advise.MoveAnswer{Answer: advise.CannotTell, Reasons: []string{"Only 2 records."}}, []string{"Cannot tell. Recalibrate to be safe", "Only 2 records."}},
	} {
		f := yard()
		f.moved = c.answer
		w := get(t, f, query)
		require.Equal(t, http.StatusOK, w.Code)
		checkHTML(t, w.Body.String())
		seen := text(t, w)
		for _, part := range c.parts {
			assert.Contains(t, seen, part)
		}
		require.Len(t, f.asked, 1)
		assert.Equal(t, some(1390.0), f.asked[0].Altitude)
	}
}

// The answer names its machine, and one that no record names is asked about.
func TestMovedNamesTheMachine(t *testing.T) {
	f := yard()
	f.moved = advise.MoveAnswer{Machine: "Q-04", Answer: advise.CannotTell}
	seen := text(t, get(t, f, "/moved?machine=Q-04&temperature_c=22&altitude_m=1390"))
	assert.Contains(t, seen, "Q-04: recalibrate?")
	assert.Contains(t, seen, "There is no record of Q-04")
	f.moved = advise.MoveAnswer{Machine: "K-07", Answer: advise.NoNeed}
	seen = text(t, get(t, f, "/moved?machine=K-07&temperature_c=22&altitude_m=1390"))
	assert.Contains(t, seen, "K-07: recalibrate?")
	assert.NotContains(t, seen, "No record names")
}

// A verdict is at most 25 words.
func TestVerdictIsShort(t *testing.T) {
	v := wordVerdict(&yard().moved, units{})
	assert.LessOrEqual(t, len(strings.Fields(v.Word+" "+v.Reason+" "+v.Chance)), 25)
}

func TestMovedIsFilledInFromTheLastSite(t *testing.T) {
	page := get(t, yard(), "/moved?machine=K-07")
	assert.Contains(t, page.Body.String(), `name="temperature_c" value="-8"`)
	assert.Contains(t, text(t, page), "Filled in from the last record")
	us := get(t, yard(), "/moved?machine=K-07&units=us").Body.String()
	assert.Contains(t, us, `name="temperature_c" value="18"`) // −8 °C is 17.6 °F
	assert.Contains(t, us, "°F")
}

// A machine that runs several programs is asked for which of them; one that runs a
// single program is not.
func TestMovedAsksForTheProgram(t *testing.T) {
	f := yard()
	assert.NotContains(t, get(t, f, "/moved?machine=K-07").Body.String(), `name="program"`)
	old := f.history["K-07"][0]
	other := *old.Calibration
	f.history["K-07"] = nil
	for i, name := range []string{"ribbon", "single", "single"} {
		e := old
		e.ID, e.Program, e.Time, e.Calibration = name+strconv.Itoa(i), name, old.When().Add(time.Duration(i-3)*time.Hour), &other
		f.history["K-07"] = append(f.history["K-07"], e)
	}
	page := get(t, f, "/moved?machine=K-07&temperature_c=22&altitude_m=1390&program=ribbon")
	checkHTML(t, page.Body.String())
	assert.Contains(t, page.Body.String(), `<option value="">single (in use now)</option><option value="ribbon" selected>ribbon</option>`)
	require.Len(t, f.asked, 1)
	assert.Equal(t, "ribbon", f.asked[0].Program)
	// Choosing a program alone asks nothing yet.
	get(t, f, "/moved?machine=K-07&program=ribbon")
	assert.Len(t, f.asked, 1)
}

func TestMovedFaults(t *testing.T) {
	w := get(t, yard(), "/moved?machine=K-07&temperature_c=214")
	assert.Equal(t, http.StatusBadRequest, w.Code)
	page := w.Body.String()
	assert.Contains(t, page, `aria-invalid="true"`)
	assert.Contains(t, page, `href="#temperature_c"`)
	f := yard()
	f.moveErr = errors.New("secret")
	w = get(t, f, "/moved?machine=K-07&temperature_c=4")
	assert.Equal(t, http.StatusInternalServerError, w.Code)
	assert.NotContains(t, w.Body.String(), "secret")
}
