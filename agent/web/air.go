package web

import (
	"net/url"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// freshAir is how old a sensor's reading may be to be filled in. A van that climbs a road
// of 8 % at 40 km/h gains 270 m in five minutes: less than the 300 m from which a change
// of place counts.
const freshAir = 5 * time.Minute

// sensorView is the latest reading of the sensor at a machine.
type sensorView struct {
	Words, When string // its values and its moment
	Age         string
	Fresh       bool
	Until       time.Time // it is fresh until then
	SI          string    // its values as a query
	values      url.Values
}

// sensorOf is the sensor at a machine, nil where there is none.
func (s *Server) sensorOf(machine string, u units) *sensorView {
	if s.Air == nil || machine == "" {
		return nil
	}
	r, there := s.Air(machine)
	if !there {
		return nil
	}
	now := s.Now()
	e := drift.Entry{Record: drift.Record{Type: drift.TypeCalibration, Time: r.Time,
		Calibration: &drift.Calibration{Temperature: r.Temperature, Humidity: r.Humidity, Pressure: r.Pressure}}}
	return &sensorView{
		Words: airWords(&e, u), When: s.wall(r.Time), Age: phrase.Age(r.Time, now), Until: r.Time.Add(freshAir), Fresh: now.Sub(r.Time) <= freshAir,
		SI: airValues(&e, units{}).Encode(), values: airValues(&e, u),
	}
}

// airChoice is air that a calibration may take over: chosen, it is sent as a query in SI.
type airChoice struct {
	SI, Words, Word string
	Chosen          bool
	Until           string // a sensor's: after that moment it is not offered any more
}

// airChoices are the air of the arrival card that led here, of the sensor, and of the
// machine's last calibration.
func (s *Server) airChoices(u units, typed url.Values, sensor *sensorView, last *drift.Entry) (out []airChoice) {
	entered := url.Values{}
	for _, name := range airNames {
		if text := u.toSI(typed).Get(name); text != "" && typed.Get("arrived") != "" {
			entered.Set(name, text)
		}
	}
	if len(entered) > 0 {
		out = append(out, airChoice{SI: entered.Encode(), Word: "As entered on arrival", Words: airTexts(typed, u)})
	}
	if sensor != nil && sensor.Fresh {
		out = append(out, airChoice{SI: sensor.SI, Word: "From the sensor, " + sensor.When, Words: sensor.Words, Until: sensor.Until.Format(time.RFC3339)})
	}
	chosen := typed.Get("air")
	if last != nil {
		out = append(out, airChoice{SI: airValues(last, units{}).Encode(), Word: "Same as " + phrase.Moment(last.When()), Words: airWords(last, u)})
	}
	for i := range out {
		// What was entered or measured just now is chosen, and in sight.
		out[i].Chosen = chosen == out[i].SI || chosen == "" && i == 0 && !strings.HasPrefix(out[i].Word, "Same as")
	}
	if len(out) > 0 {
		out = append(out, airChoice{Word: "Not known, or as entered below"})
	}
	return out
}

// airTexts are values of the air as they were typed, with their units.
func airTexts(typed url.Values, u units) string {
	var parts []string
	for _, name := range airNames {
		if text := typed.Get(name); text != "" {
			parts = append(parts, strings.Replace(text, "-", "\u2212", 1)+"\u00a0"+u.unit(name))
		}
	}
	return phrase.Beside(parts...)
}

// takeAir fills in, in SI, what the chosen air says and nobody typed.
func takeAir(v url.Values, chosen string) {
	given, err := url.ParseQuery(chosen)
	if err != nil {
		return // made up by somebody: there is nothing to take
	}
	for _, name := range airNames {
		if v.Get(name) == "" && given.Get(name) != "" {
			v.Set(name, given.Get(name))
		}
	}
}
