package web

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// On a phone too, a form says all that is wrong, at the fields and in a list, and offers
// the machine that was probably meant; what was typed stays.
func TestPhoneMarksWhatIsWrong(t *testing.T) {
	f := crowd(60) // more machines than tiles
	b := open(t, f)
	b.fingers()
	b.show("/log?choose=1")
	look[int](b, `document.getElementById("machine").value = "K_7", document.getElementById("temperature_c").value = "214", document.getElementById("site").value = "Tarn Pass", 0`)
	taps := 0
	b.tap(&taps, "Save")
	b.until(`document.activeElement.matches(".errors")`)
	assert.Equal(t, []string{"Which machine: K_7 is not known here. Did you mean K-07?", "What did the machine say at the end: Choose one.", "Air temperature: It must be from -40 to 60."},
		look[[]string](b, `[...document.querySelectorAll(".errors a")].map(a => a.textContent)`))
	assert.Equal(t, 3, look[int](b, `document.querySelectorAll(".wrong").length`))
	assert.True(t, look[bool](b, `[...document.querySelectorAll(".errors a")].every(a => document.querySelector(a.getAttribute("href")).checkVisibility())`), "every link leads to what it is about")
	assert.Empty(t, look[[]string](b, tooSmall))
	b.tap(&taps, "K-07")
	b.until(`document.querySelectorAll(".errors a").length === 2`)
	b.tap(&taps, "Failed")
	look[int](b, `document.getElementById("temperature_c").value = "-8", document.getElementById("temperature_c").dispatchEvent(new Event("change", { bubbles: true })), 0`)
	b.until(`document.querySelector(".errors, .wrong") === null`)
	assert.Equal(t, "Tarn Pass", look[string](b, `document.getElementById("site").value`))
	b.tap(&taps, "Save")
	b.until(`/^Saves in [1-9] s$/.test(document.querySelector(".countdown")?.textContent)`) // it counts down
	b.tap(&taps, "Undo")
	b.tap(&taps, "Save")
	b.tap(&taps, "Save now")
	b.do(chromedp.WaitVisible(".verdict"))
	assert.Contains(t, look[string](b, `document.querySelector(".verdict").textContent`), "K-07Calibration failed")
	assert.Empty(t, b.troubled())
}

// What an inspection found is repeated, and asked about.
func TestPhoneAsksWhatIsDoneAboutAFinding(t *testing.T) {
	b := open(t, yard())
	b.fingers()
	b.show("/service?machine=K-11")
	taps := 0
	for _, words := range []string{"Inspected", "Worn", "Save", "Save now"} {
		b.tap(&taps, words)
	}
	b.do(chromedp.WaitVisible(".verdict"))
	assert.Contains(t, look[string](b, `document.querySelector(".verdict").textContent`), "Electrodes inspected, found worn")
	b.tap(&taps, "Replace the pair now")
	b.until(`location.pathname === "/service" && document.readyState === "complete"`)
	b.until(`document.querySelector("[name=action]:checked")?.value === "replaced" && document.querySelector("[name=finding]:checked")?.value === "worn"`)
	assert.Empty(t, b.troubled())
}

// The phone knows the same names for one machine as the agent.
func TestPhoneComparesNamesAsTheAgent(t *testing.T) {
	b := open(t, yard())
	b.show("/log")
	known := []string{"K-07", "K-31", "M-12", "Yard.4"}
	for _, typed := range []string{"k07", "K_7", "K-13", "K-32", "M12", "M-2", "Q-99", "K", "yard4", "Y.04", "K-007", "K-0", ""} {
		assert.Equal(t, drift.NameKey(typed), look[string](b, `import("/static/record.js").then(r => r.nameKey("`+typed+`"))`), typed)
		assert.Equal(t, drift.NearestName(typed, known), look[string](b, `import("/static/record.js").then(r => r.nearestName("`+typed+`", ["K-07", "K-31", "M-12", "Yard.4"]) ?? "")`), typed)
	}
}
