package web

import (
	"crypto/rand"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// machineCookie remembers the machine this phone logs for.
const machineCookie = "machine"

// tile is one choice of a group, big enough for a glove.
type tile struct {
	Value, Word string
	Chosen      bool
}

type logView struct {
	ID                string
	Machine           string
	Choice            machineChoice // where the machine is not known yet
	Passed            []tile
	Tries             []tile
	Ends              []tile
	Cleavers          []tile
	Minutes           []tile
	Triggers          []tile
	Air, Numbers      []entryField
	Operator, Program string
	Programs          []string
	Site, LastSite    string
	Sites             []string
	AirChoices        []airChoice
	Units             units
	Other             string
	Wrong             mistakes
	NotSaved          bool
}

// savedView says what became of what was sent.
type savedView struct {
	// Several are the machines, where there is one record for each.
	Several           []string
	Machine, What, At string
	Questions         []string
	Conflict          bool
	Streak            bool
	// Undone is what an inspection found and nobody has answered yet.
	Undone drift.Finding
}

// logForm shows the page on which a crew logs a calibration.
func (s *Server) logForm(w http.ResponseWriter, r *http.Request) {
	u := s.unitsOf(w, r)
	typed := r.URL.Query()
	switch {
	case typed.Get("machine") != "":
		remember(w, machineCookie, typed.Get("machine"))
	case !typed.Has("choose"):
		typed.Set("machine", recall(r, machineCookie))
	}
	s = s.inZoneOf(typed.Get("machine"))
	s.showLog(w, s.logView(u, typed, nil), http.StatusOK)
}

func (s *Server) showLog(w http.ResponseWriter, view *logView, status int) {
	title := "Log a calibration"
	if view.Machine != "" {
		title += " of " + view.Machine
	}
	s.render(w, "log", page{Title: title, Here: "/log", Field: true, Scripts: []string{"keypad.js", "send.js", "along.js"}, Status: status, Body: view})
}

func (s *Server) logView(u units, typed url.Values, wrong mistakes) *logView {
	machine := typed.Get("machine")
	if wrong.At("machine") != "" {
		machine = ""
	}
	v := &logView{
		Wrong: wrong, ID: typed.Get("id"), Machine: machine, Units: u, Other: "/log?" + url.Values{"machine": {machine}, unitsCookie: {map[bool]string{true: "si", false: "us"}[u.American]}}.Encode(),
		Passed:   tiles(typed.Get("passed"), "true", "Passed", "false", "Failed"),
		Tries:    tiles(or(typed.Get("attempts"), "1"), "1", "1", "2", "2", "3", "3", "4", "4+"),
		Ends:     tiles(typed.Get("recleaved"), "true", "Yes", "false", "No"),
		Minutes:  tiles(or(typed.Get("minutes"), "0"), "0", "Now", "15", "15 min ago", "30", "30 min ago", "60", "1 h ago"),
		Triggers: tiles(typed.Get("trigger"), "start-of-day", "Start of day", "moved", "Moved", "weather", "Weather", "electrode-service", "After a service", "other", "Other"),
		Site:     typed.Get("site"), Operator: typed.Get("operator"), Program: typed.Get("program"),
	}
	v.LastSite, v.Sites = s.siteNames(machine)
	if v.ID == "" {
		v.ID = rand.Text()
	}
	usual, last := "", (*drift.Entry)(nil)
	if machine == "" {
		v.Choice = chooseMachine(s.machineNames(), typed.Get("machine"), wrong)
	} else {
		recent := s.recentOf(machine)
		inZone(recent, s.Now().Location())
		if e, ok := lastAir(recent); ok {
			last = &e
		}
		usual = usualCleaver(recent)
		v.Programs = programsOf(recent)
	}
	v.AirChoices = s.airChoices(u, typed, s.sensorOf(machine, u), last)
	if typed.Get("arrived") != "" {
		typed = maps.Clone(typed) // it stands among the choices
		for _, name := range airNames {
			typed.Del(name)
		}
	}
	v.Cleavers = cleaverTiles(typed.Get("cleaver"), usual)
	v.Air = numberFields(u, typed, wrong, append(airNames[:], "machine_temperature_c")...)
	v.Numbers = numberFields(u, typed, wrong, "arc_count", "power_setting_pct", "power_correction_pct", "meltback_left_um", "meltback_right_um", "meltback_target_um", "meltback_tolerance_um")
	return v
}

// siteNames are the site the machine was last at and all that are known.
func (s *Server) siteNames(machine string) (last string, all []string) {
	b := s.Fleet.Board()
	if m := b.find(machine); m != nil {
		last = m.Site
	}
	return last, b.columns().sites.named()
}

// usualCleaver is the cleaver last named.
func usualCleaver(recent []drift.Entry) string {
	named, ok := lastWhere(recent, func(e *drift.Entry) bool { return e.Calibration != nil && e.Calibration.Cleaver != "" })
	if !ok {
		return ""
	}
	return named.Calibration.Cleaver
}

func airWords(e *drift.Entry, u units) string { return airTexts(airValues(e, u), u) }

// anotherCleaver is what a record says of a cleaver that is not the usual one.
const anotherCleaver = "another"

// cleaverTiles offer the usual cleaver by its name and another one.
func cleaverTiles(chosen, usual string) []tile {
	const other = anotherCleaver
	if usual == "" || usual == other {
		return tiles(chosen, "usual", "The usual one", other, "Another one")
	}
	return tiles(chosen, usual, usual, other, "Another one")
}

// tiles makes a group from value, word pairs.
func tiles(chosen string, pairs ...string) []tile {
	var out []tile
	for pair := range slices.Chunk(pairs, 2) {
		out = append(out, tile{Value: pair[0], Word: pair[1], Chosen: pair[0] == chosen})
	}
	return out
}

func or(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}

// logRecord takes the form. Its id was made with the form, so that a second tap
// on the same button is the same record.
func (s *Server) logRecord(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	u := s.unitsOf(w, r)
	typed := r.PostForm
	at := s.happened(typed)
	record, problems := decoded(s.calibrationForm(u, typed, at))
	if len(problems) == 0 {
		problems = append(problems, unknownMachine(s.machineNames(), typed))
	}
	if wrong := mistakesOf(u, problems...); wrong != nil {
		// A person is there to correct it, so nothing is kept as refused.
		s.showLog(w, s.logView(u, typed, wrong), http.StatusBadRequest)
		return
	}
	receipts, err := s.offer(r, []intake.Submission{{Raw: []byte(typed.Encode()), Record: record, Via: "form"}})
	if err != nil {
		s.cannotTake(err)
		view := s.logView(u, typed, nil)
		view.NotSaved = true
		w.Header().Set("Retry-After", retryAfter)
		s.showLog(w, view, http.StatusServiceUnavailable)
		return
	}
	receipt := receipts[0]
	if receipt.Refused != nil {
		s.showLog(w, s.logView(u, typed, mistakesOf(u, receipt.Refused)), http.StatusBadRequest)
		return
	}
	remember(w, machineCookie, record.Machine)
	e := drift.Entry{Record: record}
	s.render(w, "saved", page{Title: "Saved", Here: "/log", Field: true, Status: http.StatusCreated, Body: savedView{
		Machine: record.Machine, What: typeWord(&e), At: phrase.Clock(at), Questions: receipt.Questions, Conflict: receipt.Conflict,
		Streak: !record.Calibration.Passed.Or(false),
	}})
}

// happened is when it was: so many minutes before the button was pressed. The
// page shows when that was; without scripts it is now, to the minute, so that a
// double tap is one record.
func (s *Server) happened(typed url.Values) time.Time {
	now := s.Now()
	at := now.Truncate(time.Minute)
	if pressed, err := time.Parse(time.RFC3339, typed.Get("pressed")); err == nil && !pressed.After(now) && now.Sub(pressed) < time.Hour {
		at = pressed.In(now.Location())
	}
	minutes, err := strconv.Atoi(typed.Get("minutes"))
	if err != nil || minutes < 0 || minutes > 24*60 {
		return at
	}
	return at.Add(-time.Duration(minutes) * time.Minute)
}

// calibrationForm makes of the form what a record's form is called.
func (s *Server) calibrationForm(u units, typed url.Values, at time.Time) url.Values {
	v := url.Values{"type": {string(drift.TypeCalibration)}, "time": {at.Format(time.RFC3339)}}
	si := u.toSI(typed)
	names := append([]string{"id", "machine", "passed", "attempts", "recleaved", "cleaver", "trigger", "site", "operator", "program"}, airNames[:]...)
	for _, f := range fieldLabels {
		names = append(names, f.name)
	}
	for _, name := range names {
		if text := si.Get(name); text != "" {
			v.Set(name, text)
		}
	}
	takeAir(v, typed.Get("air"))
	return v
}

// readForm reads a posted form, or answers what is wrong with it.
func readForm(w http.ResponseWriter, r *http.Request) bool {
	err := r.ParseForm()
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		plain(w, http.StatusRequestEntityTooLarge, "The form is too large. Nothing was saved.\n")
	case err != nil:
		plain(w, http.StatusBadRequest, "The form could not be read. Nothing was saved.\n")
	}
	return err == nil
}
