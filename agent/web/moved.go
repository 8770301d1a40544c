package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

type movedView struct {
	Machine  string
	Choice   machineChoice // where the machine is not chosen yet
	Programs []string      // of this machine, the one in use first; none where it has but one
	Program  string        // asked about, empty for the one in use
	Sites    []siteTile    // to choose from, when there are few
	Site     string
	Located  bool // the phone's position finds the nearest site
	Fields   []entryField
	More     []entryField // seldom needed
	MoreOpen bool
	Cold     []tile
	Filled   string // where the values in the fields come from
	Until    string // a sensor's: after that moment they are not filled in any more
	Passed   *passView
	Units    units
	Other    string // link with the other units
	Wrong    mistakes
	Answer   *verdict
}

// siteTile is a known site. Its altitude is in SI, for the phone.
type siteTile struct {
	tile
	Height, Altitude, Latitude, Longitude string
}

// fewSites is up to how many sites are offered as tiles, not typed.
const fewSites = 12

// passView is the last check that passed.
type passView struct {
	At        time.Time
	When, Age string
	Where     string
}

// verdict is the answer in the order a cold reader needs it.
type verdict struct {
	Kind                           advise.Answer
	Word, Reason, Chance, Evidence string
	More                           []string
	Numbers                        []fact
	Machine                        string
	WetCaution, Calibrates         bool
	RequiresOpening                bool   // somebody is sent to the electrodes
	Same, SameWord                 string // link that says that values are the same; "" where that is not asked
	Log                            string // link to log the check with this air
	Unknown                        bool   // no record names the machine
}

// moved is the crew lead's question on arrival. It changes nothing, so it is a link that
// can be kept: the form comes back filled in, the answer above it.
func (s *Server) moved(w http.ResponseWriter, r *http.Request) {
	u := s.unitsOf(w, r)
	q := r.URL.Query()
	q.Del(unitsCookie)
	same := q.Get(samePlace) != ""
	q.Del(samePlace)
	machine := q.Get("machine")
	if machine == "" && !q.Has("choose") {
		machine = recall(r, machineCookie)
	}
	q.Del("choose")
	s = s.inZoneOf(machine)
	recent := s.recentOf(machine)
	inZone(recent, s.Now().Location())
	view := movedView{Machine: machine, Programs: programsOf(recent), Program: q.Get("program"), Site: q.Get("site"), Units: u, Passed: s.lastPass(recent)}
	status := http.StatusOK
	typed := q
	if asks(q) {
		answer, problem, err := s.verdict(u, q, same)
		if err != nil {
			s.fail(w, err)
			return
		}
		view.Answer, view.Wrong = answer, mistakesOf(u, problem)
		if problem != nil {
			status = http.StatusBadRequest
		} else {
			answer.Unknown = !s.Fleet.Board().has(answer.Machine)
		}
	} else {
		typed = view.fill(s.sensorOf(machine, u), recent, u, len(s.locations()) > 0)
	}
	if machine == "" || view.Wrong.At("machine") != "" {
		view.Machine, view.Choice = "", chooseMachine(s.machineNames(), machine, view.Wrong)
	}
	view.addSites(s.locations(), u)
	view.Cold = tiles(typed.Get("machine_cold"), "true", "Yes, still cold", "false", "No, as warm as here", "", "Not sure")
	view.Fields = numberFields(u, typed, view.Wrong, "temperature_c", "humidity_pct")
	view.More = numberFields(u, typed, view.Wrong, "altitude_m", "pressure_hpa", "machine_temperature_c")
	view.MoreOpen = len(view.Sites) == 0 || slices.ContainsFunc(view.More, func(f entryField) bool { return f.Value != "" || f.Problem != "" })
	other := url.Values{"machine": {machine}, unitsCookie: {"us"}}
	if u.American {
		other.Set(unitsCookie, "si")
	}
	view.Other = "/moved?" + other.Encode()
	title := "Moved?"
	if view.Answer != nil {
		title = view.Answer.Word
	}
	s.render(w, "moved", page{Title: title, Here: "/moved", Field: true, Scripts: []string{"keypad.js", "along.js"}, Status: status, Body: view})
}

// fill takes the values from the sensor while they are fresh, else from the last
// calibration, and says so. The altitude is that of the site to be chosen, if there are
// sites.
func (v *movedView) fill(sensor *sensorView, recent []drift.Entry, u units, sites bool) url.Values {
	if sensor != nil && sensor.Fresh {
		v.Filled = fmt.Sprintf("Filled in from the sensor, %s: %s. Change what is different here.", sensor.When, sensor.Words)
		v.Until = sensor.Until.Format(time.RFC3339)
		return sensor.values
	}
	if sensor != nil {
		v.Filled = fmt.Sprintf("The sensor's last reading is too old to be filled in: %s, %s, %s. ", sensor.Words, sensor.When, sensor.Age)
	}
	last, ok := lastAir(recent)
	if !ok {
		return url.Values{}
	}
	v.Filled += "Filled in from the last record, " + phrase.Moment(last.When()) + ". Change what is different here."
	values := airValues(&last, u)
	if sites {
		values.Del("altitude_m")
		values.Del("pressure_hpa")
	}
	return values
}

// addSites offers few sites as tiles and many as a list.
func (v *movedView) addSites(all []drift.Location, u units) {
	for _, at := range all {
		one := siteTile{tile: tile{Value: at.Name, Word: at.Name, Chosen: at.Name == v.Site}}
		if m, ok := at.Altitude.Get(); ok {
			one.Altitude, one.Height = units{}.show("altitude_m", m), u.say(phrase.Unit(phrase.Integer(int64(math.Round(m))), "m"))
		}
		if lat, ok := at.Latitude.Get(); ok {
			one.Latitude, one.Longitude = strconv.FormatFloat(lat, 'f', -1, 64), strconv.FormatFloat(at.Longitude.Or(0), 'f', -1, 64)
			v.Located = true
		}
		v.Sites = append(v.Sites, one)
	}
}

// FewSites says whether the sites are tiles.
func (v movedView) FewSites() bool { return len(v.Sites) <= fewSites }

// locations are the known sites.
func (s *Server) locations() []drift.Location {
	if s.Locations == nil {
		return nil
	}
	return s.Locations()
}

// altitudeOf is the altitude of a known site, in SI; "" where it is not known.
func (s *Server) altitudeOf(site string) string {
	for _, at := range s.locations() {
		if m, ok := at.Altitude.Get(); ok && strings.EqualFold(at.Name, site) {
			return units{}.show("altitude_m", m)
		}
	}
	return ""
}

// lastPass is the last check that passed, nil where none of the latest records is one.
func (s *Server) lastPass(recent []drift.Entry) *passView {
	e, ok := lastWhere(recent, func(e *drift.Entry) bool { return e.Calibration != nil && e.Calibration.Passed.Or(false) })
	if !ok {
		return nil
	}
	return &passView{At: e.When(), When: s.wall(e.When()), Age: phrase.Age(e.When(), s.Now()), Where: e.Site}
}

// asks says whether the form was sent.
func asks(q url.Values) bool {
	for name := range q {
		if name != "machine" && name != "program" {
			return true
		}
	}
	return false
}

// samePlace is the part of a link that says that unchanged values are meant.
const samePlace = "same"

// verdict asks the fleet; a *drift.Problem is for the person who asked to correct. A form filled in
// from the last record and sent unchanged earns no "no need": it is asked about.
func (s *Server) verdict(u units, q url.Values, same bool) (*verdict, *drift.Problem, error) {
	asked := u.toSI(q)
	site := asked.Get("site")
	asked.Del("site")
	if asked.Get("altitude_m") == "" {
		asked.Set("altitude_m", s.altitudeOf(site))
	}
	move, err := wire.MoveValues(asked)
	var a advise.MoveAnswer
	if err == nil {
		a, err = s.move(move)
	}
	ask, weather := false, false
	if err == nil && !same && a.Answer == advise.NoNeed && a.Action == advise.None && a.CheckDue == nil {
		var known advise.Site
		known, err = s.Fleet.Site(a.Machine)
		// Who enters a height has looked at the values; who chooses a site may not have.
		chosen := q.Get("altitude_m") == "" && q.Get("pressure_hpa") == ""
		ask, weather = known.SameAir(move), chosen && known.SameWeather(move)
	}
	var problem *drift.Problem
	switch {
	case errors.As(err, &problem):
		return nil, problem, nil
	case err != nil:
		return nil, nil, fmt.Errorf("web: moved: %w", err)
	}
	v := wordVerdict(&a, u)
	v.Log = logLink(a.Machine, q, u.show, asked.Get("altitude_m"))
	if ask || weather {
		q.Set(samePlace, "yes")
		v.Kind, v.Word, v.Calibrates, v.Chance = advise.CannotTell, "Is the air here the same?", false, ""
		v.Reason = "Temperature and humidity are those of the last calibration, unchanged. If they differ here, enter them below."
		v.More, v.Same, v.SameWord = nil, "/moved?"+q.Encode(), "Yes, the same air"
		if ask {
			v.Word, v.SameWord = "Are you still in the same place?", "Yes, same place and air"
			v.Reason = "These are the values of the last calibration, unchanged. If you have moved, enter the values of this place below."
		}
		q.Del(samePlace)
	}
	return v, nil, nil
}

// logLink leads to the form that logs the check, with the site and air of the question.
func logLink(machine string, q url.Values, show func(string, float64) string, altitude string) string {
	v := url.Values{"machine": {machine}, "trigger": {"moved"}, "arrived": {"yes"}}
	for _, name := range append([]string{"site", "program"}, airNames[:]...) {
		if text := q.Get(name); text != "" {
			v.Set(name, text)
		}
	}
	if m, err := strconv.ParseFloat(altitude, 64); err == nil && q.Get("altitude_m") == "" && q.Get("pressure_hpa") == "" {
		v.Set("altitude_m", show("altitude_m", m))
	}
	return "/log?" + v.Encode()
}

// recentRecords is how many records a form looks through, however long a history
// is: weeks of a machine that reports its arc count every half hour.
const recentRecords = 1000

// recentOf are the machine's latest records, to fill in a form: none where they
// cannot be read.
func (s *Server) recentOf(machine string) []drift.Entry {
	if machine == "" {
		return nil
	}
	recent, err := s.Records.Latest(machine, recentRecords)
	if err != nil {
		s.Log.Error("cannot read the latest records for a form", "machine", machine, "error", err)
		return nil
	}
	return recent
}

// programsOf are the programs a machine was calibrated with, the one in use first;
// none where there are not several.
func programsOf(recent []drift.Entry) (out []string) {
	recent = slices.Clone(recent)
	drift.Order(recent)
	for _, e := range slices.Backward(drift.Correct(recent)) {
		if e.Calibration != nil && e.Program != "" && !slices.Contains(out, e.Program) {
			out = append(out, e.Program)
		}
	}
	if len(out) < 2 {
		return nil
	}
	return out
}

func wordVerdict(a *advise.MoveAnswer, u units) *verdict {
	v := &verdict{Kind: a.Answer, Word: a.Word(), Evidence: a.Evidence.Word(), Machine: a.Machine, Calibrates: a.Answer != advise.NoNeed || a.CheckDue != nil, RequiresOpening: a.RequiresOpening()}
	v.WetCaution = a.Answer == advise.Wait
	if a.Answer == advise.NoNeed && (v.RequiresOpening || a.CheckDue != nil) {
		v.Kind = advise.CannotTell
	}
	for i, reason := range a.Reasons {
		if i == 0 {
			v.Reason = u.say(reason)
		} else {
			v.More = append(v.More, u.say(reason))
		}
	}
	if p, ok := a.ProbabilityOut.Get(); ok && a.Answer != advise.Wait { // once it is dry, ask again
		v.Chance = phrase.Sentence(phrase.Chance(p)) + " attempts would be out of tolerance."
	}
	dew := ""
	if point, ok := a.DewPoint.Get(); ok {
		dew = u.say(phrase.Quantity(point, "°C"))
	}
	v.Numbers = numbersOf(a, dew)
	return v
}

func numbersOf(a *advise.MoveAnswer, dew string) []fact {
	facts := []fact{{"Expected change of required power", pct(a.ExpectedShift), plusMinus(a.SD)}}
	if dew != "" {
		facts = append(facts, fact{"Dew point of this air", dew, "water condenses on a machine colder than this"})
	}
	if c := a.Cost; c.OutMinutes > 0 {
		facts = append(facts, fact{"Recalibrate above", phrase.Chance(c.CheckMinutes / c.OutMinutes),
			fmt.Sprintf("a check costs %s, being out costs %s; both are settings", advise.Minutes(c.CheckMinutes), advise.Minutes(c.OutMinutes))})
	}
	return facts
}

// machineNames are the machines to choose from, by name.
func (s *Server) machineNames() []string { return s.Fleet.Board().names() }
