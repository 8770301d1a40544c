package fleet

import (
	"maps"
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// What a setup states of a site wins; else it is the altitude that crews entered there.
func TestLocationsOfSetupsAndPasses(t *testing.T) {
	stated := []drift.Location{{Name: "Mill Lane"}, {Name: "Tarn Pass", Altitude: drift.Some(1390.0)}}
	about := map[string]*About{
		"K-07": {Site: "Tarn Pass", PassedAt: "Tarn Pass", PassedAltitude: drift.Some(1200.0)},
		"K-08": {Site: "Raven Ridge", PassedAt: "Mill Lane", PassedAltitude: drift.Some(210.0)},
		"K-09": {Site: "Mill Lane", PassedAt: "Mill Lane", PassedAltitude: drift.Some(214.0)},
		"K-10": {Site: "Mill Lane", PassedAt: "Mill Lane", PassedAltitude: drift.Some(2140.0)},
		"K-11": {PassedAltitude: drift.Some(7.0)},
	}
	assert.Equal(t, []drift.Location{
		{Name: "Mill Lane", Altitude: drift.Some(214.0)}, {Name: "Raven Ridge"}, {Name: "Tarn Pass", Altitude: drift.Some(1390.0)},
	}, locations(stated, maps.Values(about)))
}
