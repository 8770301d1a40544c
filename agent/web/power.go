package web

import (
	"encoding/csv"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

func depotQuery(name string) string { return url.Values{"depot": {name}}.Encode() }

// powerCSV answers the values of a machine's chart: every attempt, whatever the chart
// shows.
func (s *Server) powerCSV(w http.ResponseWriter, r *http.Request) {
	b := s.Fleet.Board()
	id := s.calledNow(b, r.PathValue("id"))
	a, _, err := s.answerFor(b, id, drift.Opt[time.Time]{})
	if err != nil {
		s.fail(w, err)
		return
	}
	if a == nil {
		s.noMachine(w, id)
		return
	}
	trace, err := s.traces.of(r.Context(), a)
	if err != nil {
		s.fail(w, err)
		return
	}
	csvHeaders(w, "power.csv")
	out := csv.NewWriter(w)
	_ = out.Write([]string{"machine", "time", "pair", "arcs", "attempt", "passed", "power_measured_pct", "power_reference_pct", "model_pct", "model_sd_pct", "conditioning", "bad_end"}) // the client may have gone; so below
	for _, p := range trace.Points {
		level, sd := "", ""
		if hasLevel(p) {
			level, sd = optional(drift.Some(p.Level), 3), optional(drift.Some(p.SD), 3)
		}
		_ = out.Write([]string{
			spreadsheetSafe(id), p.Time.UTC().Format(time.RFC3339), strconv.Itoa(p.Pair), strconv.FormatInt(p.Arcs, 10), strconv.FormatInt(p.Attempt, 10),
			strconv.FormatBool(p.Passed), optional(p.Raw, 3), optional(p.Reference, 3), level, sd, strconv.FormatBool(p.Conditioning), strconv.FormatBool(p.BadEnd),
		})
	}
	out.Flush()
}

// alertMark is what the chart calls an alert.
const alertMark = "alert"

// markAlerts adds the alerts about a machine, those that ended and those that are open, to
// the marks of its chart, where its arcs then were.
func (s *Server) markAlerts(t advise.Trace, machine string) advise.Trace {
	var opened []time.Time
	for _, o := range s.Ended() {
		if o.Subject == machine && o.Rule.OfMachine() && s.part.Holds(machine, o.Opened) {
			opened = append(opened, o.Opened)
		}
	}
	for _, c := range s.Alerts.Open() {
		if c.Subject == machine && c.Rule.OfMachine() {
			opened = append(opened, c.Opened)
		}
	}
	t.Marks = slices.Clone(t.Marks)
	for _, at := range opened {
		mark := advise.Mark{Time: at, What: alertMark}
		for _, p := range t.Points {
			if p.Time.After(at) {
				break
			}
			mark.Pair, mark.Arcs = p.Pair, p.Arcs
		}
		t.Marks = append(t.Marks, mark)
	}
	slices.SortStableFunc(t.Marks, func(a, b advise.Mark) int { return a.Time.Compare(b.Time) })
	return t
}
