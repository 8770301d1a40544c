package web

import (
	"math"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// units is how a reader measures. Records and questions are always in SI; a
// reader who thinks in feet types and reads feet.
type units struct {
	// American: °F, feet and inches of mercury.
	American bool
}

// unitsCookie is the preference of units.
const unitsCookie = "units"

// unitsOf is the choice in the link or the form or, without one, the one made before. A
// new choice is remembered.
func (s *Server) unitsOf(w http.ResponseWriter, r *http.Request) units {
	chosen := r.FormValue(unitsCookie)
	if chosen == "" {
		return units{s.preferred(r, unitsCookie) == "us"}
	}
	s.prefer(w, r, unitsCookie, chosen)
	return units{chosen == "us"}
}

// preferred is what a person chose before: with the account where there is one, else in
// this browser.
func (s *Server) preferred(r *http.Request, name string) string {
	if who := passOf(r).Name; who != "" {
		if a, there, err := s.Keys.Find(who); err == nil && there {
			return a.Preferences[name]
		}
	}
	return recall(r, name)
}

// prefer remembers a choice.
func (s *Server) prefer(w http.ResponseWriter, r *http.Request, name, value string) {
	if who := passOf(r).Name; who != "" {
		if _, there, err := s.Keys.Find(who); err == nil && there {
			if err := s.Keys.Prefer(who, name, value); err != nil {
				s.Log.Warn("a preference could not be remembered", "user", who, "error", err)
			}
			return
		}
	}
	remember(w, name, value)
}

// remember keeps a choice in this browser; it identifies nobody.
func remember(w http.ResponseWriter, name, value string) {
	const year = 365 * 24 * 60 * 60
	http.SetCookie(w, &http.Cookie{Name: name, Value: url.QueryEscape(value), Path: "/", MaxAge: year, HttpOnly: true, SameSite: http.SameSiteStrictMode})
}

// recall is what this phone last chose, or "".
func recall(r *http.Request, name string) string {
	c, err := r.Cookie(name)
	if err != nil {
		return ""
	}
	value, err := url.QueryUnescape(c.Value)
	if err != nil {
		return ""
	}
	return value
}

// conversion has the two units of a field that readers choose between.
type conversion struct{ si, american wire.Unit }

func conversionOf(field string) (conversion, bool) {
	units := wire.UnitsOf(field)
	if len(units) < 2 {
		return conversion{}, false
	}
	return conversion{units[0], units[1]}, true
}

// unit is the unit of a field of that name.
func (u units) unit(field string) string {
	if c, ok := conversionOf(field); ok {
		if u.American {
			return c.american.Name
		}
		return c.si.Name
	}
	f, ok := drift.FieldNamed(field)
	if !ok {
		return ""
	}
	return strings.TrimSpace(unitOf(f))
}

// show is an SI value in the reader's units, as exact as it was measured.
func (u units) show(field string, v float64) string {
	c, ok := conversionOf(field)
	if !ok || !u.American {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	digits := 0
	if c.american.Name == "inHg" {
		digits = 2
	}
	return strconv.FormatFloat(c.american.Written(v), 'f', digits, 64)
}

// toSI rewrites the measured values of a form into SI; a text that is no number
// stays as it is, for the decoder to refuse by its name.
func (u units) toSI(v url.Values) url.Values {
	out := url.Values{}
	for name, texts := range v {
		for _, text := range texts {
			text = strings.ReplaceAll(strings.TrimSpace(text), "\u2212", "-")
			if c, ok := conversionOf(name); ok && u.American {
				if x, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64); err == nil {
					text = strconv.FormatFloat(round(10*c.american.SI(x))/10, 'f', -1, 64)
				}
			}
			out.Add(name, text)
		}
	}
	return out
}

// quantity is a temperature or a height in a sentence of an answer.
var quantity = regexp.MustCompile("(\u2212?[\\d,.]+)\u00a0(m|°C)\\b( higher| lower| warmer| cooler)?")

// say says a sentence's temperatures and heights in the reader's units. A
// difference is converted as one: 10 °C warmer is 18 °F warmer.
func (u units) say(sentence string) string {
	if !u.American {
		return sentence
	}
	return quantity.ReplaceAllStringFunc(sentence, func(found string) string {
		part := quantity.FindStringSubmatch(found)
		x, err := strconv.ParseFloat(strings.NewReplacer(",", "", "\u2212", "-").Replace(part[1]), 64)
		switch {
		case err != nil:
			return found
		case part[2] == "m": // rounded to tens
			return phrase.Unit(phrase.Integer(10*int64(math.Round(x/3.048))), "ft") + part[3]
		case part[3] == "":
			x = x*1.8 + 32
		default:
			x *= 1.8
		}
		return phrase.Unit(phrase.Fixed(math.Round(x), 0), "°F") + part[3]
	})
}
