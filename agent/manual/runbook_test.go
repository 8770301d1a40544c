package manual_test

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
)

// Whoever gets an alert finds what it means and what to do: each rule of the agent has
// a section, and each rule for Prometheus leads to one. Only an agent that is gone
// cannot show its pages.
func TestEveryAlertHasASection(t *testing.T) {
	anchors := read(t, "alerts.md").anchors()
	for _, rule := range alert.Rules() {
		assert.Contains(t, anchors, string(rule.Name))
	}
	raw, err := os.ReadFile(filepath.Join(root, "dashboards", "prometheus", "arcdrift.rules.yml"))
	require.NoError(t, err)
	rules := regexp.MustCompile(`- alert: (\w+)\n`).FindAllSubmatchIndex(raw, -1)
	require.Greater(t, len(rules), 10)
	for i, at := range rules {
		end := len(raw)
		if i+1 < len(rules) {
			end = rules[i+1][0]
		}
		name := string(raw[at[2]:at[3]])
		link := regexp.MustCompile(`runbook_url: "http://\{\{ \$labels.instance \}\}/help/alerts#([a-z-]+)"`).FindSubmatch(raw[at[0]:end])
		if name == "ArcdriftAgentGone" {
			assert.Nil(t, link)
			continue
		}
		if assert.NotNil(t, link, "%s leads to no section", name) {
			assert.Contains(t, anchors, string(link[1]), name)
		}
	}
}
