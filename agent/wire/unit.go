package wire

// Unit is a unit in which people write a field: SI = (written − zero) × factor.
type Unit struct {
	Name         string
	zero, factor float64
}

// SI converts a written value into the unit of the records.
func (u Unit) SI(written float64) float64 { return (written - u.zero) * u.factor }

// Written converts a value of a record into the unit.
func (u Unit) Written(si float64) float64 { return si/u.factor + u.zero }

// UnitsOf lists the units of a field that people measure in, that of the records first;
// nil for a field that has one unit only. °F and the foot (0.3048 m) are exact by
// definition; the conventional inch and millimetre of mercury are 33.86389 hPa and
// 1.333224 hPa (NIST SP 811, appendix B.8).
func UnitsOf(field string) []Unit {
	switch field {
	case "temperature_c", "machine_temperature_c":
		return []Unit{{"°C", 0, 1}, {"°F", 32, 5.0 / 9}}
	case "altitude_m":
		return []Unit{{"m", 0, 1}, {"ft", 0, 0.3048}}
	case "pressure_hpa":
		return []Unit{{"hPa", 0, 1}, {"inHg", 0, 33.86389}, {"mmHg", 0, 1.333224}, {"kPa", 0, 10}}
	}
	return nil
}

// UnitNamed is the unit of that name of a field.
func UnitNamed(field, name string) (Unit, bool) {
	for _, u := range UnitsOf(field) {
		if u.Name == name {
			return u, true
		}
	}
	return Unit{}, false
}
