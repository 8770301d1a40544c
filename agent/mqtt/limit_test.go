package mqtt

import (
	"net"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
	"arcdrift/drift"
)

// owners are the customers of machines.
type owners map[string]string

func (owners) Version() uint64 { return 1 }

func (o owners) Of(machine string) (drift.Assignment, bool) {
	return drift.Assignment{Customer: o[machine]}, false
}

// An account that is limited to a customer reads and writes its machines' topics only, one
// machine at a time, and no more those of a machine that has come to another customer. The
// broker asks at every delivery.
func TestTopicsOfALimitedAccount(t *testing.T) {
	t.Parallel()
	keys, err := auth.Open(filepath.Join(t.TempDir(), "access"))
	require.NoError(t, err)
	machines := owners{"F-01": "Fjord", "S-01": "Skerry", "N-01": ""}
	g := auth.NewAuthenticator(keys, auth.Policy{}, time.Now)
	g.UseAssignments(machines)
	limit := auth.Limit{Customers: []string{"Fjord"}}
	for _, a := range []auth.Account{{Name: "lars", Role: auth.Manager, Limit: limit}, {Name: "van", Role: auth.Device, Machines: auth.Machines{"*"}, Limit: limit}} {
		secret, err := keys.Add(a, time.Now())
		require.NoError(t, err)
		p, err := g.Authenticate(net.IPv4(192, 0, 2, 1), a.Name, secret)
		require.NoError(t, err)
		for _, what := range []string{"calibration", "receipt", "state", "alert", "site-check/answer"} {
			for machine, may := range map[string]bool{"F-01": true, "S-01": false, "N-01": false, "X-99": false} {
				topic := "arcdrift/v1/" + machine + "/" + what
				assert.Equal(t, may, mayRead(p, topic), "%s reads %s", a.Name, topic)
				assert.Equal(t, may, mayWrite(p, topic), "%s writes %s", a.Name, topic)
			}
		}
		for _, filter := range []string{"#", "arcdrift/#", "arcdrift/v1/#", "arcdrift/v1/+/state", "+/+/+/state", "arcdrift/v1/S-01/#", "$share/g/arcdrift/v1/+/state"} {
			assert.False(t, mayRead(p, filter), "%s reads %s", a.Name, filter)
		}
		machines["F-01"] = "Skerry"
		assert.False(t, mayRead(p, "arcdrift/v1/F-01/state"), "it has come to another customer")
		machines["F-01"] = "Fjord"
	}
}
