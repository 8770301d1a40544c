package web

import (
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// due makes the daily check of these machines due.
func due(f *fake, machines ...string) {
	for i := range f.machines {
		for _, name := range machines {
			if f.machines[i].Machine == name {
				f.machines[i].Due = &advise.Due{Reason: advise.StartOfDay, Since: noon.Add(-12 * time.Hour)}
			}
		}
	}
}

// One record for each machine that is chosen, and all of them or none.
func TestStartOfDay(t *testing.T) {
	f := yard()
	due(f, "K-07", "M-09", "K-11")
	page := get(t, f, "/start").Body.String()
	checkHTML(t, page)
	for machine, chosen := range map[string]bool{"K-07": true, "M-09": true, "K-11": false, "K-15": false} {
		assert.Equal(t, chosen, strings.Contains(page, `name="machine" value="`+machine+`" checked`), "%s: chosen where a check is due, and never with the state stop", machine)
	}
	assert.Contains(t, page, "stop: do not use")

	w := submit(t, f, "/start", "id", "s1", "machine", "K-07", "machine", "M-09", "operator", "J. Lund", "cleaver", "C-2", "program", "single-mode", "air", "temperature_c=-8&humidity_pct=70")
	require.Equal(t, http.StatusCreated, w.Code, w.Body)
	checkHTML(t, w.Body.String())
	assert.Contains(t, text(t, w), "2 machines Start of day, passed: K-07 and M-09")
	require.Len(t, f.taken, 2)
	for i, machine := range []string{"K-07", "M-09"} {
		r := f.taken[i].Record
		assert.Equal(t, "s1-"+machine, r.ID)
		assert.Equal(t, machine, r.Machine)
		assert.Equal(t, "J. Lund", r.Operator)
		assert.Equal(t, "single-mode", r.Program)
		assert.Equal(t, drift.Calibration{Attempts: some(int64(1)), Passed: some(true), Trigger: "start-of-day", Cleaver: "C-2", Temperature: some(-8.0), Humidity: some(70.0)}, *r.Calibration)
	}
	w = submit(t, f, "/start", "id", "s2", "operator", "J. Lund")
	assert.Equal(t, http.StatusBadRequest, w.Code)
	page = w.Body.String()
	checkHTML(t, page)
	assert.Contains(t, page, "Machine is missing")
	assert.Contains(t, page, `value="J. Lund"`)
	assert.Len(t, f.taken, 2)
}

// Of a large fleet the crew chooses its machines, once.
func TestTheCrewIsRemembered(t *testing.T) {
	f := crowd(60)
	assert.Contains(t, get(t, f, "/start").Body.String(), "Choose the machines of your crew first")
	w := get(t, f, "/start?crew=K-07,+X-0010+nobody")
	require.Equal(t, http.StatusSeeOther, w.Code)
	again := httptest.NewRequest("GET", "/start", nil)
	offline := httptest.NewRequest("GET", "/api/v1/offline?crew=1&machine=K-15", nil)
	for _, c := range w.Result().Cookies() {
		again.AddCookie(c)
		offline.AddCookie(c)
	}
	page := ask(t, f, again).Body.String()
	checkHTML(t, page)
	assert.Contains(t, page, `name="machine" value="X-0010"`)
	assert.NotContains(t, page, `name="machine" value="X-0011"`)
	taken := ask(t, f, offline).Body.String()
	for _, name := range []string{"K-07", "X-0010", "K-15"} {
		assert.Contains(t, taken, `"machine":"`+name+`"`)
	}
	assert.Equal(t, 3, strings.Count(taken, `"machine":`))
}

// With an account, units and crew go with the person to every browser.
func TestPreferencesGoWithTheAccount(t *testing.T) {
	f := yard()
	s := serverFor(t, f)
	keys, err := auth.Open(filepath.Join(t.TempDir(), "access"))
	require.NoError(t, err)
	_, err = keys.Add(auth.Account{Name: "lund", Role: auth.Crew}, noon)
	require.NoError(t, err)
	s.Keys, s.Authenticator = keys, known{"lund"}
	show := func(path string) string {
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, localRequest("GET", path))
		assert.Empty(t, w.Result().Cookies(), "nothing in the browser")
		return w.Body.String()
	}
	assert.Contains(t, show("/moved?machine=K-07"), "°C")
	assert.Contains(t, show("/moved?machine=K-07&units=us"), "°F")
	assert.Contains(t, show("/moved?machine=K-07"), "°F", "in another browser too")
	show("/start?crew=K-07")
	assert.NotContains(t, show("/start"), `name="machine" value="M-09"`)
	a, _, err := keys.Find("lund")
	require.NoError(t, err)
	assert.Equal(t, map[string]string{"units": "us", "crew": "K-07"}, a.Preferences)
}

// known is an authenticator that takes everybody for one person.
type known struct{ name string }

func (k known) Authenticate(_ net.IP, _, _ string) (auth.Principal, error) {
	return k.Refresh(auth.Principal{})
}

func (k known) Refresh(auth.Principal) (auth.Principal, error) {
	return auth.Principal{Name: k.name, Role: auth.Crew}, nil
}

func (k known) Resume(_ net.IP, _, _ string) (auth.Principal, error) {
	return k.Refresh(auth.Principal{})
}

// One tap for the crew's machines, without the agent too; who and cleaver are remembered.
func TestStartOfDayInOneTap(t *testing.T) {
	f := yard()
	due(f, "K-07", "M-09", "K-15")
	h := &hole{Handler: serverFor(t, f).Handler()}
	b := openOn(t, h)
	b.fingers()
	b.show("/start")
	b.served()
	look[int](b, `document.getElementById("operator").value = "J. Lund", document.getElementById("cleaver").value = "C-2", 0`)
	taps := 0
	b.tap(&taps, "Save")
	b.tap(&taps, "Save now") // or ten seconds later by itself
	b.do(chromedp.WaitVisible(".verdict"))
	b.until(`document.querySelector("#fate.received") !== null`)
	assert.Contains(t, look[string](b, `document.querySelector(".verdict").textContent`), "3 machinesStart of day, passed: K-07, K-15 and M-09")
	require.Len(t, f.offers(), 3)

	h.gone.Store(true)
	b.show("/start")
	b.until(`document.getElementById("operator").value === "J. Lund" && document.getElementById("cleaver").value === "C-2"`)
	b.tap(&taps, "Save")
	b.tap(&taps, "Save now")
	b.until(`document.getElementById("waiting").textContent.includes("3 waiting to be sent.")`)
}

// The phone makes of the start of a day what the agent makes of it.
func TestPhoneMakesTheSameStartOfDay(t *testing.T) {
	f := yard()
	due(f, "K-07", "M-09")
	b := open(t, f)
	b.show("/start")
	made := look[string](b, `import("/static/record.js").then(({ recordsOf }) => {
		const form = document.querySelector("form[data-send]");
		for (const [name, value] of Object.entries({ operator: "J. Lund", program: "single-mode", cleaver: "C-2", site: "Tarn Pass" })) form.elements[name].value = value;
		window.typed = new URLSearchParams(new FormData(form)).toString();
		return recordsOf(form).map((r) => JSON.stringify(r)).join("\n");
	})`)
	w := postForm(t, f, "/start", look[string](b, "window.typed"), "si")
	require.Equal(t, http.StatusCreated, w.Code, w.Body)
	require.Equal(t, http.StatusCreated, post(t, f, made+"\n").Code, made)
	require.Len(t, f.taken, 4)
	for i := range 2 {
		want, got := &f.taken[i].Record, &f.taken[i+2].Record
		got.ID, got.Time = want.ID, want.Time
		assert.True(t, want.SameBody(got), "%s\n%s", want.AppendCanonical(nil), got.AppendCanonical(nil))
	}
}

// A record's time is corrected with a picker, in the local time of the place, whose offset
// the page names.
func TestCorrectTheTimeWithAPicker(t *testing.T) {
	f := yard()
	page := get(t, f, "/correct?machine=K-07&corrects=K-07-5").Body.String()
	checkHTML(t, page)
	assert.Contains(t, page, `name="fields.time" value="2025-12-08T08:00"`)
	assert.Contains(t, page, `type="datetime-local" step="1" data-offset="&#43;01:00"`)
	assert.Contains(t, page, "Time (UTC&#43;1)")
	for typed, want := range map[string]string{"2025-12-08T09:30": "2025-12-08T08:30:00Z", "2025-12-08T09:30:15": "2025-12-08T08:30:15Z", "2025-12-08T09:30:00Z": "2025-12-08T09:30:00Z"} {
		f := yard()
		w := submit(t, f, "/correct", "id", "c", "machine", "K-07", "corrects", "K-07-5", "reason", "typing slip", "fields.time", typed)
		require.Equal(t, http.StatusCreated, w.Code, w.Body)
		require.Len(t, f.taken, 1)
		at, err := time.Parse(time.RFC3339, want)
		require.NoError(t, err)
		assert.True(t, at.Equal(f.taken[0].Record.Correction.Changes[0].Value.(time.Time)), typed)
	}
	w := submit(t, f, "/correct", "id", "c", "machine", "K-07", "corrects", "K-07-5", "reason", "typing slip", "fields.time", "2025-12-08T08:00")
	assert.Contains(t, text(t, w), "Nothing has been changed yet.")
}

// A page about one machine has one time zone, that of the machine.
func TestOnePageOneZone(t *testing.T) {
	f := yard()
	there := time.FixedZone("", 5*3600)
	f.sites = map[string]advise.Site{"K-07": {Zone: there, Settings: drift.Settings{Zone: "Asia/Karachi", CheckMinutes: 5, OutMinutes: 60}}}
	for _, path := range []string{"/machines/K-07", "/moved?machine=K-07", "/log?machine=K-07", "/correct?machine=K-07&corrects=K-07-5"} {
		page := get(t, f, path).Body.String()
		assert.Contains(t, page, "UTC&#43;5", path)
		assert.NotContains(t, page, "UTC&#43;1", path)
	}
	assert.Contains(t, get(t, f, "/correct?machine=K-07&corrects=K-07-5").Body.String(), `value="2025-12-08T12:00"`)
}
