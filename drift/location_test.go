package drift_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

func TestLocationsOfSites(t *testing.T) {
	var s drift.Setups
	take := func(setup drift.Setup) {
		r := drift.Record{Type: drift.TypeSetup, Setup: &setup}
		assert.NoError(t, r.Check())
		s.Take(&r)
	}
	assert.Empty(t, s.Locations())
	take(drift.Setup{Scope: drift.ScopeSite, Name: "Tarn Pass", Altitude: drift.Some(1390.0)})
	take(drift.Setup{Scope: drift.ScopeModel, Name: "type-2", AttemptLimit: drift.Some(int64(3))})
	take(drift.Setup{Scope: drift.ScopeSite, Name: "Mill Lane", Depot: "North store"})
	take(drift.Setup{Scope: drift.ScopeSite, Name: "Tarn Pass", Latitude: drift.Some(61.2), Longitude: drift.Some(-7.5)})
	assert.Equal(t, []drift.Location{
		{Name: "Mill Lane"},
		{Name: "Tarn Pass", Altitude: drift.Some(1390.0), Latitude: drift.Some(61.2), Longitude: drift.Some(-7.5)},
	}, s.Locations(), "a later setup adds to what an earlier one said")
}

func TestOnlySitesHaveALocation(t *testing.T) {
	for want, setup := range map[string]drift.Setup{
		"altitude_m holds for a site: the scope must be site":                     {Scope: drift.ScopeFleet, Altitude: drift.Some(120.0)},
		"latitude_deg holds for a site: the scope must be site":                   {Scope: drift.ScopeModel, Name: "type-2", Latitude: drift.Some(61.2), Longitude: drift.Some(7.5)},
		"longitude_deg is missing: the other half of the position is needed here": {Scope: drift.ScopeSite, Name: "Tarn Pass", Latitude: drift.Some(61.2)},
		"latitude_deg is missing: the other half of the position is needed here":  {Scope: drift.ScopeSite, Name: "Tarn Pass", Longitude: drift.Some(7.5)},
		"latitude_deg is 91: it must be from -90 to 90 degrees":                   {Scope: drift.ScopeSite, Name: "Tarn Pass", Latitude: drift.Some(91.0), Longitude: drift.Some(7.5)},
		"altitude_m is 9000: it must be from -430 to 6000 metres":                 {Scope: drift.ScopeSite, Name: "Tarn Pass", Altitude: drift.Some(9000.0)},
	} {
		r := drift.Record{Type: drift.TypeSetup, Setup: &setup}
		assert.EqualError(t, r.Check(), want)
	}
}
