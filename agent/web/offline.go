package web

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// figure is a number written with nine digits: enough for chances good to a millionth,
// and half the bytes.
type figure float64

// MarshalJSON implements json.Marshaler.
func (x figure) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, float64(x), 'g', 9, 64), nil
}

// offlineView is what a phone needs to answer the site check of one machine
// without the agent. Distances are in arcs, powers in log percent.
type offlineView struct {
	Machine string    `json:"machine"`
	AsOf    time.Time `json:"as_of"`
	// Attempts are the machine's own, AttemptsOfItsLike its model's and program's.
	Attempts          int `json:"attempts"`
	AttemptsOfItsLike int `json:"attempts_of_its_like"`
	// Streak counts the failed attempts since the last pass.
	Streak     int        `json:"streak"`
	Last       *time.Time `json:"last"`
	ArcsPerDay figure     `json:"arcs_per_day"`
	// What begins with Last is of the last calibration.
	LastTemperature drift.Opt[float64] `json:"last_temperature_c"`
	LastHumidity    drift.Opt[float64] `json:"last_humidity_pct"`
	LastAltitude    drift.Opt[float64] `json:"last_altitude_m"`
	LastPressure    drift.Opt[float64] `json:"last_pressure_hpa"`
	// WarmUp is the time constant of the machine in its case.
	WarmUp drift.Opt[float64] `json:"warm_up_minutes"`
	Cost   advise.Cost        `json:"cost"`
	// Due are the checks that the rules of the trade ask for, from a moment on.
	Due []advise.Ask `json:"due"`
	// CheckLeaves is the chance of being out right after a check that passed.
	CheckLeaves figure `json:"check_leaves"`
	// SettingWrong says that the machine is likely out only because of its setting.
	SettingWrong bool `json:"setting_wrong"`
	// Table is null for a machine without a calibration.
	Table *offlineTable `json:"table"`
}

// offlineTable is a model.OutTable. A row is weight, scatter scale,
// mean level; the means of level minus setting, slope, and the effects of
// density, humidity and machine temperature; the lower triangle of their
// covariance, row by row. Air is what the last attempt's air contributed.
type offlineTable struct {
	Low          figure     `json:"low"`
	High         figure     `json:"high"`
	Arcs         figure     `json:"arcs"`
	Worn         figure     `json:"worn"`
	Bend         figure     `json:"bend"`
	Walk         figure     `json:"walk"`
	SlopeWalk    figure     `json:"slope_walk"`
	DirtRate     figure     `json:"dirt_rate"`
	DirtStep     figure     `json:"dirt_step"`
	MultipleWalk figure     `json:"multiple_walk"`
	Scatter      figure     `json:"scatter"`
	ScatterArcs  figure     `json:"scatter_arcs"`
	ScatterBend  figure     `json:"scatter_bend"`
	Air          []figure   `json:"air"`
	AirDoubt     figure     `json:"air_doubt"`
	NeverT       bool       `json:"never_temperature,omitempty"`
	NeverRH      bool       `json:"never_humidity,omitempty"`
	NeverP       bool       `json:"never_pressure,omitempty"`
	Beside       figure     `json:"beside"`
	Weights      []figure   `json:"weights"`
	Doubts       []figure   `json:"doubts"`
	Rows         [][]figure `json:"rows"`
}

func tableOf(t *model.OutTable) *offlineTable {
	out := &offlineTable{
		Low: figure(t.Low), High: figure(t.High), Arcs: figure(t.Arcs), Worn: figure(t.ScatterAge),
		Bend: figure(t.WearExponent), Walk: figure(t.Walk), SlopeWalk: figure(t.SlopeWalk), DirtRate: figure(t.DirtRate), DirtStep: figure(t.DirtStep),
		AirDoubt: figure(t.AirDoubt), NeverT: t.NeverTold.Temperature, NeverRH: t.NeverTold.Humidity, NeverP: t.NeverTold.Pressure,
		MultipleWalk: figure(t.ScatterScaleWalk), Scatter: figure(t.Scatter), ScatterArcs: figure(t.ScatterArcs), ScatterBend: figure(t.ScatterExponent),
	}
	for _, x := range t.Air {
		out.Air = append(out.Air, figure(x))
	}
	out.Beside = figure(t.Beside)
	for i, x := range t.Weights {
		out.Weights, out.Doubts = append(out.Weights, figure(x)), append(out.Doubts, figure(t.Doubts[i]))
	}
	for i := range t.Rows {
		r := &t.Rows[i]
		row := []figure{figure(r.Weight), figure(r.ScatterScale), figure(r.Level)}
		for _, x := range slices.Concat(r.Mean[:], r.Cov[:]) {
			row = append(row, figure(x))
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func offlineOf(machine string, site *advise.Site, now time.Time) offlineView {
	v := offlineView{
		Machine: machine, AsOf: now.UTC(), WarmUp: site.Settings.WarmUp, LastTemperature: site.LastTemperature, LastHumidity: site.LastHumidity,
		LastAltitude: site.LastAltitude, LastPressure: site.LastPressure,
		Cost: advise.Cost{CheckMinutes: site.Settings.CheckMinutes, OutMinutes: site.Settings.OutMinutes},
		Due:  site.Asks(now),
	}
	if m := site.Known; m != nil && m.Attempts() > 0 {
		table, last := m.OutTable(), m.Last().UTC()
		v.Attempts, v.AttemptsOfItsLike, v.Streak = m.Attempts(), m.Params().Attempts, m.Streak().Attempts
		v.Last, v.ArcsPerDay, v.Table = &last, figure(m.PerDay()), tableOf(&table)
		v.CheckLeaves, v.SettingWrong = figure(m.OutAfterPass()), advise.SettingWrong(m)
	}
	return v
}

// mostOffline is how many machines a phone may take along in one answer: each
// is read and folded for it.
const mostOffline = 100

// getOffline answers a JSON array of what a phone keeps of the machines named.
// A machine that no record names is left out. With crew=1, those of the crew come too.
func (s *Server) getOffline(w http.ResponseWriter, r *http.Request) {
	named := r.URL.Query()["machine"]
	if r.URL.Query().Get("crew") != "" {
		for _, name := range s.crewOf(r) {
			if !slices.Contains(named, name) && len(named) < mostOffline {
				named = append(named, name)
			}
		}
	} else if len(named) == 0 || len(named) > mostOffline {
		refuse(w, http.StatusBadRequest, &drift.Problem{Field: "machine", Reason: "names what to take along: from 1 to 100 machines"})
		return
	}
	b := s.Fleet.Board()
	views := []offlineView{}
	for _, name := range named {
		if !b.has(name) {
			continue
		}
		site, err := s.Fleet.Site(name)
		if err != nil {
			s.fail(w, fmt.Errorf("web: what phones keep of %s: %w", name, err))
			return
		}
		views = append(views, offlineOf(name, &site, s.Now()))
	}
	answer(w, http.StatusOK, views)
}

// crewOf are the machines of the crew that asks: those it has chosen at the start of a
// day, else all of a fleet that a crew may carry.
func (s *Server) crewOf(r *http.Request) []string {
	b := s.Fleet.Board()
	crew := strings.Fields(s.preferred(r, crewCookie))
	crew = slices.DeleteFunc(crew, func(name string) bool { return !b.has(name) })
	if len(crew) == 0 && b.rows.Len() <= fewMachines {
		return b.names()
	}
	return crew
}

// crewCookie is the preference of a crew: its machines.
const crewCookie = "crew"

// phone explains what a phone can do without the agent, and what it takes.
func (s *Server) phone(w http.ResponseWriter, _ *http.Request) {
	s.render(w, "phone", page{Title: "On the phone", Here: "/phone", Field: true, Scripts: []string{"phone.js"}})
}
