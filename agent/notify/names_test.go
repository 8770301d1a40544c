package notify

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
)

// Agent and Prometheus use the same name for a rule in an Alertmanager.
func TestNamesAreThoseOfTheRules(t *testing.T) {
	rules, err := os.ReadFile(filepath.Join("..", "..", "dashboards", "prometheus", "arcdrift.rules.yml"))
	require.NoError(t, err)
	for _, m := range []alert.RuleName{alert.MustStop, alert.ElectrodesDue, alert.CheckFirst, alert.MachineSilent, alert.SourceSilent, alert.ChannelDead} {
		assert.Contains(t, string(rules), "- alert: "+ruleName(m)+"\n")
	}
}
