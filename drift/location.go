package drift

import (
	"cmp"
	"slices"
)

// Location is a site and where it is; what is not known is left out.
type Location struct {
	Name string `json:"name"`
	// Altitude in metres above sea level; Latitude and Longitude in degrees (WGS 84).
	Altitude  Opt[float64] `json:"altitude_m"`
	Latitude  Opt[float64] `json:"latitude_deg"`
	Longitude Opt[float64] `json:"longitude_deg"`
}

// Locations are the sites that setups name, by name.
func (s *Setups) Locations() []Location {
	var out []Location
	for at, of := range s.byPlace {
		if at.scope == ScopeSite {
			out = append(out, Location{Name: at.name, Altitude: of.Altitude, Latitude: of.Latitude, Longitude: of.Longitude})
		}
	}
	slices.SortFunc(out, func(a, b Location) int { return cmp.Compare(a.Name, b.Name) })
	return out
}
