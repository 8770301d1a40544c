package web

import (
	"cmp"
	"encoding/csv"
	"math"
	"net/http"
	"slices"
	"strconv"
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

var orders = [...]order{byUrgency, byDue, byLeft, bySilence, byName}

// words say the order in a sentence.
func (o order) words() string {
	return map[order]string{byUrgency: "most urgent first", byDue: "earliest date first", byLeft: "fewest arcs left first", bySilence: "longest silence first", byName: "by name"}[o]
}

// permutation are the places of a board's machines in this order, of equals the most
// urgent first. What has no value is last; a machine that has never reported has been
// silent longest.
func (o order) permutation(b *Board) []int32 {
	switch o {
	case byDue:
		return sortedBy(b, func(m *Machine) string { return or(dueBy(m), "9") })
	case byLeft:
		return sortedBy(b, safeArcs)
	case bySilence:
		return byKeys(b.columns().last)
	case byName:
		return b.columns().byName
	}
	out := make([]int32, b.rows.Len())
	for i := range out {
		out[i] = int32(i)
	}
	return out
}

func sortedBy[K cmp.Ordered](b *Board, key func(*Machine) K) []int32 {
	keys := make([]K, b.rows.Len())
	for i := range keys {
		keys[i] = key(&b.machines()[i])
	}
	return byKeys(keys)
}

// byKeys are the places of the keys in ascending order, of equals the first one first.
func byKeys[K cmp.Ordered](keys []K) []int32 {
	out := make([]int32, len(keys))
	for i := range out {
		out[i] = int32(i)
	}
	slices.SortFunc(out, func(a, b int32) int { return cmp.Or(cmp.Compare(keys[a], keys[b]), cmp.Compare(a, b)) })
	return out
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
	b := s.Fleet.Board()
	f, now := filterOf(r.URL.Query()), s.Now()
	csvHeaders(w, "machines.csv")
	out := csv.NewWriter(w)
	_ = out.Write([]string{"machine", "model", "site", "depot", "state", "next", "due_by", "arcs_left_p10", "arcs_left_p50", "arcs_left_p90", "required_power_pct", "power_limit_pct", "last_record", "reason"}) // the client may have gone; so below
	for i := range b.kept(f) {
		_ = out.Write(csvOfMachine(&b.machines()[i], now))
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
