package advise_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift/advise"
)

// Each hazard of the work has its sentence.
func TestCautionsNameEveryHazard(t *testing.T) {
	text := strings.ToLower(advise.CautionText())
	for _, hazard := range []string{
		"switch the machine off", "unplug", "remove the battery", "high voltage", "hot", "eye protection", "sharps bin", "alcohol", "flame", "dry before",
		"never look into a fibre", "maker's instructions", "local rules", "licensed practice",
	} {
		assert.Contains(t, text, hazard)
	}
}

func TestRequiresOpening(t *testing.T) {
	fit := func(change func(*advise.Assessment)) bool {
		a := advise.Assessment{State: advise.Fit, Electrode: advise.Electrode{Action: advise.None}}
		change(&a)
		return a.RequiresOpening()
	}
	assert.False(t, fit(func(*advise.Assessment) {}))
	assert.False(t, fit(func(a *advise.Assessment) { a.State = advise.NoData }))
	assert.True(t, fit(func(a *advise.Assessment) { a.Electrode.Action = advise.Inspect }))
	assert.True(t, fit(func(a *advise.Assessment) { a.State = advise.Stop }))
	assert.True(t, fit(func(a *advise.Assessment) { a.State = advise.ServiceSoon }))
	assert.True(t, fit(func(a *advise.Assessment) { a.Streak.Attempts = 1 }), "a fail sends people looking")
}
