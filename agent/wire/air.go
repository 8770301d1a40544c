package wire

import (
	"maps"
	"slices"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
)

// airFields are the fields of a sensor's reading, with the kinds and bounds that they
// have in a calibration.
var airFields = func() map[string]*drift.Field {
	out := map[string]*drift.Field{}
	for _, name := range []string{"machine", "time", "temperature_c", "humidity_pct", "pressure_hpa"} {
		out[name] = recordFields[name]
	}
	return out
}()

// AirFor reads what a sensor says of the air at a machine from one JSON object, as
// strictly as a record. Its Time is zero where none is stated. The error is a
// *drift.Problem.
func AirFor(machine string, raw []byte) (drift.AirReading, error) {
	r := drift.Record{Type: drift.TypeCalibration, Machine: machine, Calibration: &drift.Calibration{}}
	err := members(new(jsontext.Decoder), raw, func(name []byte, v jsontext.Value) error {
		f, ok := airFields[string(name)]
		if !ok {
			reason := "is not a field of a reading of the air"
			if near := drift.NearestOf(string(name), slices.Sorted(maps.Keys(airFields))); near != "" {
				reason += ": did you mean " + near + "?"
			}
			return &drift.Problem{Field: label(string(name)), Reason: reason}
		}
		parsed, text, err := jsonValue(f, v)
		if err != nil || parsed == nil {
			return err
		}
		read := value{f, parsed, text}
		return read.set(&r)
	})
	c := r.Calibration
	switch {
	case err != nil:
		return drift.AirReading{}, err
	case r.Machine != machine:
		return drift.AirReading{}, &drift.Problem{Field: "machine", Value: r.Machine, Reason: "must be the machine of the topic, " + machine}
	case !c.Temperature.Known() && !c.Humidity.Known() && !c.Pressure.Known():
		return drift.AirReading{}, &drift.Problem{Field: "temperature_c", Reason: "is missing: a reading needs a temperature, a humidity or a pressure"}
	}
	return drift.AirReading{Time: r.Time, Temperature: c.Temperature, Humidity: c.Humidity, Pressure: c.Pressure}, nil
}
