package drift

import "time"

// AirReading is what a sensor measures of the air where a machine is. It passes: it is no
// record, and only the latest is kept.
type AirReading struct {
	Time time.Time
	// Temperature °C, Humidity %, station Pressure hPa.
	Temperature, Humidity, Pressure Opt[float64]
}
