package web

import (
	"cmp"
	"encoding/csv"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// order is an order of the machines of the list, by its name in the link.
type order string

const (
	byUrgency order = "" // that of the board: by state, then by how soon the pair may fail
	byDue     order = "due"
	byLeft    order = "arcs"
	bySilence order = "silence"
	byName    order = "name"
)

var orders = []order{byUrgency, byDue, byLeft, bySilence, byName}

// words say the order in a sentence.
func (o order) words() string {
	return map[order]string{byUrgency: "most urgent first", byDue: "earliest date first", byLeft: "fewest arcs left first", bySilence: "longest silence first", byName: "by name"}[o]
}

// sort sorts the machines, which come most urgent first. What has no value is last; a
// machine that has never reported has been silent longest.
func (o order) sort(machines []*Machine) {
	var compare func(a, b *Machine) int
	switch o {
	case byDue:
		compare = func(a, b *Machine) int { return cmp.Compare(or(dueBy(a), "9"), or(dueBy(b), "9")) }
	case byLeft:
		compare = func(a, b *Machine) int { return cmp.Compare(safeArcs(a), safeArcs(b)) }
	case bySilence:
		compare = func(a, b *Machine) int {
			return a.Data.Last.Or(time.Time{}).Compare(b.Data.Last.Or(time.Time{}))
		}
	case byName:
		compare = func(a, b *Machine) int { return strings.Compare(a.Machine, b.Machine) }
	default:
		return
	}
	slices.SortStableFunc(machines, compare)
}

// dueBy is the date by which something is to be done with the machine: the service, or the
// check that is due; "" for nothing.
func dueBy(m *Machine) string {
	date := m.Electrode.ActBy.Or("")
	if m.Due.Binds() {
		if since := m.Due.Since.Format(time.DateOnly); date == "" || since < date {
			date = since
		}
	}
	return date
}

func dueWord(m *Machine) string {
	date, err := time.Parse(time.DateOnly, dueBy(m))
	if err != nil {
		return ""
	}
	return phrase.Day(date)
}

// safeArcs are the arcs to plan on.
func safeArcs(m *Machine) float64 {
	if q := m.Electrode.ToFailure; q != nil {
		return q.P10
	}
	return math.Inf(1)
}

func leftWord(a *advise.Assessment) string {
	q := a.Electrode.ToFailure
	switch {
	case q == nil:
		return phrase.Unknown
	case a.Electrode.HorizonArcs > 0 && q.P10 >= float64(a.Electrode.HorizonArcs):
		return "over " + phrase.Integer(a.Electrode.HorizonArcs)
	}
	return phrase.About(q.P10)
}

// boardCSV answers the machines of a list as it stands, all of its pages.
func (s *Server) boardCSV(w http.ResponseWriter, r *http.Request) {
	machines, _ := s.Fleet.Board()
	f, now := filterOf(r.URL.Query()), s.Now()
	var kept []*Machine
	for i := range machines {
		if m := &machines[i]; f.keeps(m) && (f.State == "" || f.State == m.State) {
			kept = append(kept, m)
		}
	}
	f.Sort.sort(kept)
	csvHeaders(w, "machines.csv")
	out := csv.NewWriter(w)
	_ = out.Write([]string{"machine", "model", "site", "depot", "state", "next", "due_by", "arcs_left_p10", "arcs_left_p50", "arcs_left_p90", "required_power_pct", "power_limit_pct", "last_record", "reason"}) // the client may have gone; so below
	for _, m := range kept {
		_ = out.Write(csvOfMachine(m, now))
	}
	out.Flush()
}

func csvOfMachine(m *Machine, now time.Time) []string {
	row := []string{m.Machine, label(m.Model), m.Site, m.Settings.Depot, string(m.State), m.Assessment.NextStep(now), dueBy(m)}
	for i := range row {
		row[i] = spreadsheetSafe(row[i])
	}
	left := []string{"", "", ""}
	if q := m.Electrode.ToFailure; q != nil {
		for i, v := range []float64{q.P10, q.P50, q.P90} {
			left[i] = strconv.FormatFloat(v, 'f', 0, 64)
		}
	}
	last := ""
	if at, ok := m.Data.Last.Get(); ok {
		last = at.UTC().Format(time.RFC3339)
	}
	why := ""
	if len(m.Reasons) > 0 {
		why = spreadsheetSafe(m.Reasons[0])
	}
	return append(append(row, left...), optional(m.Drift.RequiredPower, 2), optional(m.Drift.Limit, 2), last, why)
}
