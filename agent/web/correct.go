package web

import (
	"crypto/rand"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

type correctView struct {
	ID, Machine, Record, What, When, Came string
	Fields, Empty                         []correctField
	Reasons                               []tile
	Operator                              string
	Units                                 units
	Wrong                                 mistakes
	NotSaved                              bool
}

// correctField is one field of the record: a closed choice or typed.
type correctField struct {
	entryField
	Choices []tile
}

// uncorrectable are the fields that say which record it is.
var uncorrectable = [...]string{"type", "id", "machine", "source", "epoch", "seq", "corrects", "reason"}

// correctForm shows a record with its values as they now read. What is changed
// becomes a new record; the old value stays beside it.
func (s *Server) correctForm(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	s = s.inZoneOf(q.Get("machine"))
	e, ok := s.entryToCorrect(w, q)
	if ok {
		s.showCorrect(w, s.unitsOf(w, r), e, q, nil, http.StatusOK)
	}
}

// entryToCorrect finds the record, as it now reads, or answers that it is not
// there.
func (s *Server) entryToCorrect(w http.ResponseWriter, v url.Values) (drift.Entry, bool) {
	is := func(e *drift.Entry) bool { return e.ID == v.Get("corrects") }
	e, ok := lastWhere(s.recentOf(v.Get("machine")), is)
	if !ok { // only an old record takes the reading of the whole
		history, err := s.Records.History(v.Get("machine"))
		if err != nil {
			s.fail(w, fmt.Errorf("web: history of %s: %w", v.Get("machine"), err))
			return drift.Entry{}, false
		}
		e, ok = lastWhere(history, is)
	}
	if !ok {
		s.lost(w, http.StatusNotFound, "No such record", "No record of this machine has that id.")
	}
	one := []drift.Entry{e}
	inZone(one, s.Now().Location())
	return one[0], ok
}

func (s *Server) showCorrect(w http.ResponseWriter, u units, e drift.Entry, typed url.Values, problems []*drift.Problem, status int) {
	wrong := mistakesOf(u, problems...)
	v := correctView{
		ID: or(typed.Get("id"), rand.Text()), Machine: e.Machine, Record: e.ID, What: typeWord(&e), When: phrase.Moment(e.When()), Came: phrase.Sentence(cameWords(&e)),
		Reasons:  tiles(typed.Get("reason"), "typing slip", "Typing slip", "wrong button", "Wrong button", "measured again", "Measured again", "other", "Other"),
		Operator: typed.Get("operator"), Units: u, Wrong: wrong, NotSaved: status == http.StatusServiceUnavailable,
	}
	for _, f := range correctable(&e) {
		field := correctField{entryField: entryField{Name: f.Name, Label: phrase.Sentence(labelOf(f.Name)), Unit: u.unit(f.Name), Value: shownValue(f, &e, u)}}
		if text := typed.Get("fields." + f.Name); text != "" {
			field.Value = text
		}
		for i := range wrong {
			if wrong[i].Field == f.Name {
				field.Problem, wrong[i].Field = wrong[i].Text, "fields."+f.Name
			}
		}
		switch {
		case f.Kind == drift.Moment:
			at := s.Now()
			if value, known := f.Value(&e.Record); known {
				at, _ = value.(time.Time)
			}
			field.Label += " (" + phrase.Zone(at) + ")"
			field.Offset = at.Format("-07:00")
		case f.Kind == drift.Flag:
			field.Choices = tiles(field.Value, "true", "Yes", "false", "No")
		case f.Words != nil:
			for _, word := range f.Words {
				field.Choices = append(field.Choices, tile{word, phrase.Sentence(strings.ReplaceAll(word, "-", " ")), word == field.Value})
			}
		case f.Kind == drift.Number || f.Kind == drift.Integer || f.Kind == drift.Days:
			field.Number = true
			field.bound(f)
		}
		field.Name = "fields." + f.Name
		if field.Value == "" && field.Problem == "" {
			v.Empty = append(v.Empty, field)
		} else {
			v.Fields = append(v.Fields, field)
		}
	}
	s.render(w, "correct", page{Title: "Correct a record", Field: true, Scripts: []string{"keypad.js", "send.js"}, Status: status, Body: v})
}

func correctable(e *drift.Entry) []*drift.Field {
	return slices.DeleteFunc(drift.FieldsOf(e.Type), func(f *drift.Field) bool { return slices.Contains(uncorrectable[:], f.Name) })
}

// What the date and time pickers of browsers give: local time, without an offset.
const (
	pickedMinute = "2006-01-02T15:04"
	pickedSecond = "2006-01-02T15:04:05"
)

// localMoment reads what a picker gave, in the zone beside it, as a record says it; any
// other text stays as it is, for the decoder to read or refuse.
func (s *Server) localMoment(f *drift.Field, e *drift.Entry, text string) string {
	zone := s.Now().Location()
	if value, known := f.Value(&e.Record); known {
		if at, isMoment := value.(time.Time); isMoment {
			_, offset := at.Zone()
			zone = time.FixedZone("", offset) // the offset that the form names
		}
	}
	for _, layout := range []string{pickedMinute, pickedSecond} {
		if at, err := time.ParseInLocation(layout, text, zone); err == nil {
			return at.Format(time.RFC3339)
		}
	}
	return text
}

// shownValue is the value as the form writes it; "" when unknown.
func shownValue(f *drift.Field, e *drift.Entry, u units) string {
	v, known := f.Value(&e.Record)
	if !known {
		return ""
	}
	switch v := v.(type) {
	case float64:
		return u.show(f.Name, v)
	case time.Time:
		if v.Second() == 0 {
			return v.Format(pickedMinute)
		}
		return v.Format(pickedSecond)
	default:
		return fmt.Sprint(v)
	}
}

// correctRecord takes the form: only what differs from the record as it reads
// now goes into the correction.
func (s *Server) correctRecord(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	s = s.inZoneOf(typed.Get("machine"))
	e, ok := s.entryToCorrect(w, typed)
	if !ok {
		return
	}
	u := s.unitsOf(w, r)
	v := url.Values{"type": {string(drift.TypeCorrection)}, "time": {s.happened(typed).Format(time.RFC3339)}}
	for _, name := range []string{"id", "machine", "corrects", "reason", "operator"} {
		v.Set(name, typed.Get(name))
	}
	changed := url.Values{}
	for _, f := range correctable(&e) {
		if text := typed.Get("fields." + f.Name); text != "" && text != shownValue(f, &e, u) {
			if f.Kind == drift.Moment {
				text = s.localMoment(f, &e, text)
			}
			changed.Set(f.Name, text)
		}
	}
	for name, text := range u.toSI(changed) {
		v["fields."+name] = text
	}
	record, problems := decoded(v)
	if len(changed) == 0 {
		problems = slices.DeleteFunc(problems, func(p *drift.Problem) bool { return p.Field == "fields" })
		problems = append(problems, &drift.Problem{Reason: "Nothing has been changed yet"})
	}
	if len(problems) == 0 {
		if p := problemOf(record.Correction.Accepts(&e.Record)); p != nil {
			problems = append(problems, p)
		}
	}
	if len(problems) > 0 {
		s.showCorrect(w, u, e, typed, problems, http.StatusBadRequest)
		return
	}
	receipts, err := s.offer(r, []intake.Submission{{Raw: []byte(v.Encode()), Record: record, Via: "form"}})
	if err != nil {
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showCorrect(w, u, e, typed, nil, http.StatusServiceUnavailable)
		return
	}
	if receipts[0].Refused != nil {
		s.showCorrect(w, u, e, typed, []*drift.Problem{receipts[0].Refused}, http.StatusBadRequest)
		return
	}
	of := drift.Entry{Record: record, Received: record.Time}
	s.render(w, "saved", page{Title: "Saved", Field: true, Status: http.StatusCreated, Body: savedView{
		Machine: e.Machine, What: "Corrected: " + wordCorrection(&of, &e), At: phrase.Clock(record.Time), Questions: receipts[0].Questions, Conflict: receipts[0].Conflict,
	}})
}
