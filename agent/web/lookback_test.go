package web

import (
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
)

// doubted is a report with one entry of every kind that the page distinguishes.
func doubted() lookback.Report {
	entry := func(job, day string, chance float64) lookback.Entry {
		return lookback.Entry{Machine: "K-07", Job: job, Day: day, Span: "K-07 found", Splices: 40, Counted: true, Chance: chance, Out: lookback.Number{Mean: 40 * chance, Low: 2, High: 30}, Way: lookback.TooWeak, Why: []lookback.Why{lookback.Wear}, Reason: "The arc was too weak by about 4.1 % (tolerance 4.6 %).", Open: chance >= lookback.OpenFrom}
	}
	open, task, done, low := entry("J-114", "2026-03-01", 0.42), entry("J-114", "2026-02-27", 0.31), entry("J-113", "2026-02-26", 0.3), entry("J-113", "2026-02-20", 0.03)
	open.Loss = &lookback.Loss{Mean: 0.05, Worst: 0.2, Measured: 3, BothWays: 2}
	open.Before = drift.Some(0.5)
	task.Open, task.Decision = false, &lookback.Decision{Verdict: drift.Remeasure, By: "Ada", Role: "bench", Time: noon}
	done.Decision, done.Reopened = &lookback.Decision{Verdict: drift.Accept, Reason: "all below 0.05 dB", By: "Ada", Time: noon}, &lookback.Reopened{Was: 0.1, Is: 0.3}
	return lookback.Report{
		AsOf: noon, Entries: []lookback.Entry{open, task, done, low},
		Spans: []lookback.Span{{
			Name: "K-07 found", Machine: "K-07", Triggers: []lookback.Trigger{lookback.CheckFailed}, To: noon, Found: "Found on 2 Mar 2026, 12:00 UTC+1: a check failed.", Good: "The check before passed.",
			Summary: "K-07: 26 Feb to 1 Mar, 80 splices, 29 likely out, between 17 and 44.", Waiting: lookback.Tally{Entries: 2}, Open: true, OpenSince: drift.Some(noon),
		}},
		Jobs:     []lookback.Job{{Job: "J-114", Splices: 80, Counted: true, Out: lookback.Number{Mean: 29, Low: 17, High: 44}, Open: 1}},
		Warnings: []string{"K-12: 2 records have a time that cannot be right."},
	}
}

func TestTheLookBackPageGroupsByWhatIsToBeDone(t *testing.T) {
	t.Parallel()
	f := yard()
	f.lookBack = doubted()
	body := get(t, f, "/look-back").Body.String()
	for _, text := range []string{
		"To decide", "Decide for all 2", "Found on 2 Mar 2026, 12:00 UTC&#43;1: a check failed.", "4 entries by day and job", "J-114", "42 %", "Open again: later records changed the chance from 10 % to 30 %.",
		"Without that the chance was 50 %.", "Re-measure, 2 Mar 2026, 12:00 UTC&#43;1 (Ada, bench)", "17 and 44", "cannot be right", "sharps bin",
	} {
		assert.Contains(t, body, text)
	}
	for _, path := range []string{"/", "/morning", "/morning.txt"} {
		assert.Contains(t, get(t, f, path).Body.String(), "K-07: 26 Feb to 1 Mar, 80 splices, 29 likely out, between 17 and 44.", path)
	}
	// What must not leave the yard comes before what was spliced last week.
	for path, last := range map[string]string{"/morning": `href="/machines/M-02"`, "/morning.txt": "\n  M-02"} {
		page := get(t, f, path).Body.String()
		require.Contains(t, page, last, path)
		assert.Less(t, strings.Index(page, last), strings.Index(page, "80 splices, 29 likely out"), path)
	}
	quiet := get(t, &fake{lookBack: doubted()}, "/morning").Body.String()
	assert.Contains(t, quiet, "No machine needs anybody.")
	assert.NotContains(t, quiet, "Nothing to do")
}

// entryOf is an entry as the form of the page holds it.
func entryOf(day, job, chance string) string {
	return url.Values{"machine": {"K-07"}, "job": {job}, "day": {day}, "chance_out": {chance}}.Encode()
}

// One form decides for all entries of a span. Each becomes a record of its own, and what
// is refused loses nothing of what was typed.
func TestADecisionIsARecordForEachEntry(t *testing.T) {
	t.Parallel()
	f := yard()
	f.lookBack = doubted()
	post := func(v url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", "/look-back", strings.NewReader(v.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		return ask(t, f, r)
	}
	entries := []string{entryOf("2026-03-01", "J-114", "0.42"), entryOf("2026-02-26", "J-113", "0.3")}
	page := get(t, f, "/look-back").Body.String()
	for _, entry := range entries {
		assert.Contains(t, page, `name="entry" value="`+html.EscapeString(entry)+`"`)
	}
	v := url.Values{"form": {"s-K-07+found"}, "entry": entries, "verdict": {"accept"}, "operator": {"Ada Quill"}}
	w := post(v)
	assert.Equal(t, http.StatusBadRequest, w.Code)
	assert.Contains(t, w.Body.String(), "Reason is missing: why the splices can stay as they are is needed here. Nothing was kept.")
	assert.Contains(t, w.Body.String(), `value="Ada Quill"`, "what was typed stays")
	assert.Contains(t, w.Body.String(), `<option value="accept" selected>`)
	assert.Empty(t, f.offers())
	v.Set("reason", "measured again, all below 0.05 dB")
	w = post(v)
	require.Equal(t, http.StatusSeeOther, w.Code)
	assert.Contains(t, get(t, f, w.Header().Get("Location")).Body.String(), "2 decisions kept.")
	taken := f.offers()
	require.Len(t, taken, 2)
	for i, chance := range []float64{0.42, 0.3} {
		d := taken[i].Record.Decision
		require.NotNil(t, d)
		assert.Equal(t, drift.Accept, d.Verdict)
		assert.Equal(t, "measured again, all below 0.05 dB", d.Reason)
		assert.InDelta(t, chance, d.Chance.Or(0), 0)
		assert.Equal(t, "Ada Quill", taken[i].Record.Operator)
	}
	v.Del("operator")
	assert.Contains(t, post(v).Body.String(), "say who decides")
	v.Del("entry")
	assert.Contains(t, post(v).Body.String(), "say which splices")
}

// Where the intake takes some decisions and not others, the page says which.
func TestADecisionTakenInPartIsSaid(t *testing.T) {
	t.Parallel()
	offer := func(day string) intake.Submission {
		return intake.Submission{Record: drift.Record{Machine: "K-07", Decision: &drift.Decision{Day: day}}}
	}
	no := &drift.Problem{Field: "day", Reason: "is missing"}
	assert.Equal(t, []string{"K-07, 2026-03-02, no job named: day is missing."},
		refusals([]intake.Submission{offer("2026-03-01"), offer("2026-03-02")}, []intake.Receipt{{}, {Refused: no}}))
}

func TestTheLookBackSaysWhatIsWrongWithAQuestion(t *testing.T) {
	t.Parallel()
	f := yard()
	for query, sentence := range map[string]string{
		"from=2026-03-01": "machine is missing: a time is asked about one machine, or give a job",
		"machine=K-07&from=2026-03-02&to=2026-03-01": "must be later than from",
		"machine=K-07&from=yesterday":                "must be a day like 2026-03-02",
		"machine=K-07&from=2020-01-01&to=2026-03-01": "is more than three years before to",
	} {
		w := get(t, f, "/api/v1/look-back?"+query)
		assert.Equal(t, http.StatusBadRequest, w.Code, query)
		assert.Contains(t, w.Body.String(), sentence)
		assert.Contains(t, get(t, f, "/look-back?"+query).Body.String(), sentence[1:])
	}
}

// A long report comes in parts: so many findings a page, the entries of one of them at a
// time, and each page stays small enough for a phone in the field.
func TestALongLookBackComesInParts(t *testing.T) {
	t.Parallel()
	f := yard()
	f.lookBack = lookback.Report{AsOf: noon}
	const findings, entries = 46, 7
	name := func(i int) string { return fmt.Sprintf("K-%02d found 2026-03-02T11:00:00Z", i) }
	for i := range findings {
		span := doubted().Spans[0]
		span.Name, span.Machine, span.Waiting.Out.Mean = name(i), fmt.Sprintf("K-%02d", i), float64(findings-i)
		span.Summary = span.Machine + ": seven days."
		f.lookBack.Spans = append(f.lookBack.Spans, span)
		for day := range entries {
			e := doubted().Entries[0]
			e.Machine, e.Span, e.Day = span.Machine, span.Name, fmt.Sprintf("2026-02-%02d", 10+day)
			f.lookBack.Entries = append(f.lookBack.Entries, e)
		}
	}
	first := get(t, f, "/look-back").Body.String()
	assert.Less(t, len(first), 100_000)
	for _, text := range []string{"Findings 1 to 15 of 46", "K-00: seven days.", "K-14: seven days.", "7 entries by day and job", "Decide for all 7", `href="/look-back?page=1"`} {
		assert.Contains(t, first, text)
	}
	assert.NotContains(t, first, "K-15: seven days.")
	assert.NotContains(t, first, `id="e-K-00`)
	last := get(t, f, "/look-back?page=3").Body.String()
	assert.Contains(t, last, "Findings 46 to 46 of 46")
	assert.Contains(t, last, "K-45: seven days.")
	assert.NotContains(t, last, `rel="next"`)
	assert.Contains(t, get(t, f, "/look-back?page=99").Body.String(), "Findings 46 to 46 of 46")

	link := "/look-back?" + url.Values{"finding": {name(30)}}.Encode()
	assert.Contains(t, get(t, f, "/look-back?page=2").Body.String(), `href="`+strings.ReplaceAll(link, "+", "&#43;")+"#s-")
	one := get(t, f, link).Body.String()
	assert.Less(t, len(one), 100_000)
	assert.Equal(t, entries, strings.Count(one, `<li id="e-K-30-`))
	assert.NotContains(t, one, `id="e-K-31`)
	assert.Contains(t, one, "<details open><summary>7 entries by day and job")
}
