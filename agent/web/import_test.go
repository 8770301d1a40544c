package web

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"arcdrift/agent/sheet"
	"arcdrift/drift"
)

// clerk works at the pages with one server, as a browser would.
type clerk struct {
	t       *testing.T
	handler http.Handler
	name    string // signs in so, if a roster is asked
}

func (c *clerk) send(r *http.Request) *httptest.ResponseRecorder {
	c.t.Helper()
	r.Host = "localhost:8080"
	if c.name != "" {
		r.SetBasicAuth(c.name, c.name)
	}
	w := httptest.NewRecorder()
	c.handler.ServeHTTP(w, r)
	if to, _, _ := strings.Cut(w.Header().Get("Location"), "#"); w.Code == http.StatusSeeOther {
		return c.send(httptest.NewRequest("GET", to, nil))
	}
	if strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		checkHTML(c.t, w.Body.String())
	}
	return w
}

func (c *clerk) upload(name, mapping string, raw []byte) *httptest.ResponseRecorder {
	c.t.Helper()
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	require.NoError(c.t, form.WriteField("mapping", mapping))
	file, err := form.CreateFormFile("file", name)
	require.NoError(c.t, err)
	_, err = file.Write(raw)
	require.NoError(c.t, err)
	require.NoError(c.t, form.Close())
	r := httptest.NewRequest("POST", "/import", &body)
	r.Header.Set("Content-Type", form.FormDataContentType())
	return c.send(r)
}

// formOf reads the values of the page's mapping form, as a browser would send them.
func formOf(t *testing.T, page string) url.Values {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	require.NoError(t, err)
	out := url.Values{}
	for n := range doc.Descendants() {
		switch name := attr(n, "name"); {
		case n.Data == "input" && attr(n, "type") == "checkbox" && !hasAttr(n, "checked"), name == "":
		case n.Data == "input":
			out.Set(name, attr(n, "value"))
		case n.Data == "select":
			for o := range n.Descendants() {
				if o.Data == "option" && (hasAttr(o, "selected") || !out.Has(name)) {
					value := attr(o, "value")
					if !hasAttr(o, "value") {
						value = o.FirstChild.Data
					}
					out.Set(name, value)
				}
			}
		}
	}
	return out
}

func hasAttr(n *html.Node, key string) bool {
	for _, a := range n.Attr {
		if a.Key == key {
			return true
		}
	}
	return false
}

func (c *clerk) post(form url.Values) *httptest.ResponseRecorder {
	c.t.Helper()
	r := httptest.NewRequest("POST", "/import", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return c.send(r)
}

func table(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "sheet", name))
	require.NoError(t, err)
	return b
}

// A manager brings in a table with German headings, which are known to nobody but her,
// and the same table next month by the mapping that was kept.
func TestImportOfAWorkshopTable(t *testing.T) {
	f := yard()
	c := &clerk{t: t, handler: serverFor(t, f).Handler()}
	page := c.upload("workshop-north.csv", "", table(t, "workshop-north.csv"))
	require.Equal(t, http.StatusOK, page.Code)
	form := formOf(t, page.Body.String())
	assert.Contains(t, page.Body.String(), "Say which column is the machine")
	assert.Equal(t, "4", form.Get("line"))
	assert.Equal(t, "windows-1252", form.Get("encoding"))
	for i, field := range []string{"machine", "model", "date", "clock", "passed", "attempts", "power_setting_pct", "temperature_c", "humidity_pct", "altitude_m", "arc_count", "cleaver", "note"} {
		form.Set(fmt.Sprintf("field.%d", i), field)
	}
	form.Set("zone", "Europe/Berlin")
	form.Set("all.type", "calibration")
	form.Set("name", "Workshop north")
	page = c.post(form)
	form = formOf(t, page.Body.String())
	assert.Equal(t, "dd.mm.yyyy", form.Get("dates"))
	assert.Equal(t, "1234,5", form.Get("numbers"))
	assert.Equal(t, "K-07", form.Get("word.0.0"), "a name that a machine can have is proposed")
	assert.Contains(t, page.Body.String(), "can be read as 1240 or as 1.24")
	assert.Empty(t, f.offers(), "nothing is stored before Import is pressed")

	words := regexp.MustCompile(`“([^”]*)” means<select name="([^"]*)"`).FindAllStringSubmatch(page.Body.String(), -1)
	require.Len(t, words, 3)
	for _, word := range words {
		form.Set(word[2], map[string]string{"i.O.": "true", "n.i.O.": "false"}[word[1]])
	}
	form.Set("numbers", "1.234,5")
	form.Set("word.0.1", "K-08") // "k 8"
	page = c.post(form)
	assert.Contains(t, page.Body.String(), "<strong>5</strong> of 10 rows would be taken, <strong>5</strong> refused")
	form = formOf(t, page.Body.String())
	form.Set("do", "import")
	page = c.post(form)
	require.Equal(t, http.StatusCreated, page.Code, page.Body.String())
	assert.Contains(t, text(t, page), "5 rows of workshop-north.csv taken, 5 refused. The mapping is kept as “Workshop north”.")
	offers := f.offers()
	require.Len(t, offers, 11, "the mapping and ten rows")
	assert.Equal(t, drift.ScopeTable, offers[0].Record.Setup.Scope)
	assert.Equal(t, `K 08;Bauart 2;27.02.2026;;i.O.;1;0,5;1;90;118;530;C;Uhrzeit vergessen`, string(offers[6].Raw), "what is refused is kept as it came")

	again := c.send(httptest.NewRequest("GET", "/import", nil))
	assert.Contains(t, again.Body.String(), "As “Workshop north”, kept on 2 Mar 2026")
	page = c.upload("March.csv", "Workshop north", table(t, "workshop-north.csv"))
	assert.Contains(t, page.Body.String(), "<strong>5</strong> of 10 rows would be taken")
	form = formOf(t, page.Body.String())
	form.Set("do", "import")
	require.Equal(t, http.StatusCreated, c.post(form).Code)
	assert.Len(t, f.offers(), 21, "the mapping did not change and is not kept again")
	m, err := sheet.ParseMapping(table(t, "workshop-north.json"))
	require.NoError(t, err)
	require.NoError(t, m.Prepare())
	kept, err := mappingIn(offers[0].Record.Extra)
	require.NoError(t, err)
	assert.Equal(t, m.Dates+m.Numbers+m.Zone, kept.Dates+kept.Numbers+kept.Zone)
}

// A table comes in again by another mapping, with a row that was copied and a new one:
// before anything is stored the page says what would count twice.
func TestImportSaysWhatWouldCountTwice(t *testing.T) {
	f := yard()
	c := &clerk{t: t, handler: serverFor(t, f).Handler()}
	const march = "Machine,Date,Time,Result,Attempts\nT-9,2026-03-02,07:45,pass,2\nT-9,2026-03-03,07:40,pass,1\n"
	read := func(csv, attempts string) string {
		form := formOf(t, c.upload("march.csv", "", []byte(csv)).Body.String())
		form.Set("zone", "UTC")
		form.Set("field.4", attempts)
		form.Set("all.type", "calibration")
		return text(t, c.post(form))
	}
	first := read(march, "attempts")
	assert.Contains(t, first, "2 of 2 rows would be taken")
	assert.NotContains(t, first, "would count")
	m, err := sheet.ParseMapping([]byte(`{"zone":"UTC","columns":[{"heading":"Machine","field":"machine"},{"heading":"Date","field":"date"},{"heading":"Time","field":"clock"},{"heading":"Result","field":"passed","words":{"pass":"true"}},{"heading":"Attempts","field":"attempts"}],"constants":{"type":"calibration"}}`))
	require.NoError(t, err)
	require.NoError(t, m.Prepare())
	rows, err := sheet.Read([]byte(march), m, 0)
	require.NoError(t, err)
	f.history = map[string][]drift.Entry{}
	for line := range m.Lines(rows) {
		require.Nil(t, line.Problem)
		e := drift.Entry{Record: line.Record}
		e.ID = e.Identity()
		f.history["T-9"] = append(f.history["T-9"], e)
	}
	again := read(march+"T-9,2026-03-04,07:41,pass,1\nT-9,2026-03-04,07:41,pass,1\n", "attempts")
	assert.Contains(t, again, "Not taken again, as the store has them: 2 rows.")
	assert.Contains(t, again, "Word for word like a row above: 1 row, the first on line 5. Each would count.")
	assert.NotContains(t, again, "other values")
	other := read(march, "note")
	assert.Contains(t, other, "With the machine and time of a stored record, but other values: 2 rows, the first on line 2. Each would count beside that record.")
}

// A crew's table in US units: the headings are known, the dates are asked for.
func TestImportOfAMountainTable(t *testing.T) {
	f := yard()
	c := &clerk{t: t, handler: serverFor(t, f).Handler()}
	page := c.upload("mountain-crew.txt", "", table(t, "mountain-crew.txt"))
	assert.Contains(t, page.Body.String(), "Say how dates are written.")
	assert.Contains(t, page.Body.String(), "Say in which time zone")
	form := formOf(t, page.Body.String())
	form.Set("dates", "mm/dd/yyyy")
	form.Set("zone", "America/Denver")
	assert.Contains(t, c.post(form).Body.String(), "can be read as 5280 or as 5.28", "the decimal mark is seen, what groups thousands must be said")
	form.Set("numbers", "1,234.5")
	page = c.post(form)
	assert.Contains(t, page.Body.String(), "altitude 1609.34\u00a0m")
	only := c.send(httptest.NewRequest("GET", "/import?table="+form.Get("table")+"&only=refused", nil))
	assert.Contains(t, only.Body.String(), "the column is in °F")
	assert.NotContains(t, only.Body.String(), "altitude 1609.34")
	form = formOf(t, page.Body.String())
	form.Set("do", "import")
	form.Set("name", "")
	require.Equal(t, http.StatusCreated, c.post(form).Code)
	assert.Len(t, f.offers(), 7, "without a name no mapping is kept")
}

// A workbook: its dates need no question; another of its sheets can be chosen.
func TestImportOfAWorkbook(t *testing.T) {
	f := yard()
	c := &clerk{t: t, handler: serverFor(t, f).Handler()}
	page := c.upload("bench-east.xlsx", "", table(t, "bench-east.xlsx"))
	require.Equal(t, http.StatusOK, page.Code)
	assert.NotContains(t, page.Body.String(), "Say how dates are written")
	form := formOf(t, page.Body.String())
	assert.Equal(t, []string{"Arc checks", "yyyy-mm-dd", "3"}, []string{form.Get("sheet"), form.Get("dates"), form.Get("line")})
	form.Set("sheet", "Spares")
	page = c.post(form)
	assert.Contains(t, page.Body.String(), "Electrode pair")
	form = formOf(t, page.Body.String())
	assert.Equal(t, []string{"Spares", "1"}, []string{form.Get("sheet"), form.Get("line")})
	form.Set("sheet", "Arc checks")
	form = formOf(t, c.post(form).Body.String())
	form.Set("zone", "Europe/Berlin")
	form.Set("all.type", "calibration")
	form.Set("name", "Bench east")
	form = formOf(t, c.post(form).Body.String())
	for i, field := range []string{"machine", "date", "clock", "passed", "attempts", "power_setting_pct", "temperature_c", "humidity_pct", "altitude_m", "arc_count", "note"} {
		form.Set(fmt.Sprintf("field.%d", i), field)
	}
	form = formOf(t, c.post(form).Body.String())
	for name := range form {
		if strings.HasPrefix(name, "word.3.") {
			form.Set(name, "true")
		}
	}
	page = c.post(form)
	assert.Contains(t, page.Body.String(), "altitude 118.125\u00a0m")
	form = formOf(t, page.Body.String())
	form.Set("do", "import")
	page = c.post(form)
	require.Equal(t, http.StatusCreated, page.Code, page.Body.String())
	assert.Contains(t, page.Body.String(), "&#34;sheet&#34;: &#34;Arc checks&#34;")
}

func TestImportsThatGoWrong(t *testing.T) {
	f := yard()
	s := serverFor(t, f)
	s.Authenticator = roster{}
	lead, bench := &clerk{t, s.Handler(), "lead"}, &clerk{t, s.Handler(), "bench"}
	assert.Equal(t, http.StatusForbidden, bench.upload("a.csv", "", []byte("a,b\n1,2\n")).Code)
	assert.Contains(t, lead.upload("a.csv", "", nil).Body.String(), "Choose a file that is not empty")
	assert.Contains(t, lead.upload("a.xlsx", "", []byte("PK\x03\x04")).Body.String(), "The workbook is damaged and cannot be read.")
	large := lead.upload("a.csv", "", bytes.Repeat([]byte("a,b\n"), 5<<20))
	assert.Equal(t, http.StatusRequestEntityTooLarge, large.Code)
	assert.Contains(t, large.Body.String(), "larger than 16 MB")

	page := lead.upload("a.csv", "", []byte("Machine,Date,Time,Result\nK-07,2026-03-02,07:45,pass\n"))
	form := formOf(t, page.Body.String())
	form.Set("zone", "Oslo")
	assert.Contains(t, lead.post(form).Body.String(), "is not a time zone that this computer knows")
	form.Set("field.3", "machine")
	form.Set("zone", "UTC")
	assert.Contains(t, lead.post(form).Body.String(), "is mapped twice")
	form.Set("field.3", "passed")
	form.Set("do", "import")
	f.takeErr = assert.AnError
	assert.Equal(t, http.StatusServiceUnavailable, lead.post(form).Code)
	f.takeErr = nil
	other := &clerk{t, s.Handler(), "boss"}
	s.Authenticator = anyone{}
	assert.Equal(t, http.StatusNotFound, other.post(form).Code, "the table of somebody else")
	s.Authenticator = roster{}
	assert.Equal(t, http.StatusCreated, lead.post(form).Code)
	assert.Equal(t, http.StatusNotFound, lead.post(form).Code, "it is held no longer")
}

// Tables are held within bounds: the oldest goes first.
func TestUploadsAreBounded(t *testing.T) {
	u := uploads{held: map[string]*upload{}}
	first := u.put(noon, &upload{at: noon, size: sheet.MaxFile})
	second := u.put(noon, &upload{at: noon.Add(1), size: sheet.MaxFile})
	require.NotNil(t, u.of(noon, first, ""))
	third := u.put(noon, &upload{at: noon.Add(2), size: 1})
	assert.Nil(t, u.of(noon, first, ""))
	assert.NotNil(t, u.of(noon, second, ""))
	assert.Nil(t, u.of(noon, third, "somebody else"))
	assert.Nil(t, u.of(noon.Add(2*heldFor), third, ""))
}
