package metrics_test

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

const (
	rulesDir   = "../../dashboards/prometheus"
	grafanaDir = "../../dashboards/grafana"
)

// constants are the names of names.go, read from its source so that a new one
// cannot be forgotten here.
func constants(t *testing.T) []string {
	file, err := parser.ParseFile(token.NewFileSet(), "names.go", nil, 0)
	require.NoError(t, err)
	var names []string
	ast.Inspect(file, func(n ast.Node) bool {
		if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			name, err := strconv.Unquote(lit.Value)
			require.NoError(t, err)
			names = append(names, name)
		}
		return true
	})
	slices.Sort(names)
	return names
}

// Every name used in rules and dashboards is exposed, and every name exposed is
// used there: a metric that nothing shows is not worth its place.
func TestNamesAgreeBothWays(t *testing.T) {
	name := regexp.MustCompile(`\barcdrift_[a-z0-9_]+`)
	used := map[string]bool{}
	for _, dir := range []string{rulesDir, grafanaDir} {
		require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			text, err := os.ReadFile(path)
			for _, n := range name.FindAllString(string(text), -1) {
				used[n] = true
			}
			return err
		}))
	}
	assert.Equal(t, constants(t), slices.Sorted(maps.Keys(used)))
}

func TestPromtoolAcceptsRules(t *testing.T) {
	for _, args := range [][]string{
		{"check", "config", "prometheus.yml"},
		{"check", "rules", "--lint-fatal", "arcdrift.rules.yml"},
		{"test", "rules", "arcdrift.rules.test.yml"},
	} {
		promtool := exec.Command("promtool", args...)
		promtool.Dir = rulesDir
		out, err := promtool.CombinedOutput()
		require.NoError(t, err, "promtool %v (Debian package prometheus): %s", args, out)
	}
	amtool := exec.Command("amtool", "check-config", "alertmanager.yml")
	amtool.Dir = rulesDir
	out, err := amtool.CombinedOutput()
	require.NoError(t, err, "amtool (Debian package prometheus-alertmanager): %s", out)
}

// Every alert fires in a test of promtool.
func TestEveryAlertIsTested(t *testing.T) {
	rules, err := os.ReadFile(filepath.Join(rulesDir, "arcdrift.rules.yml"))
	require.NoError(t, err)
	tests, err := os.ReadFile(filepath.Join(rulesDir, "arcdrift.rules.test.yml"))
	require.NoError(t, err)
	names := regexp.MustCompile(`(?m)^ *- alert: (\w+)$`).FindAllSubmatch(rules, -1)
	require.NotEmpty(t, names)
	for _, name := range names {
		fires := regexp.MustCompile(`alertname: ` + string(name[1]) + `\n *exp_alerts:\n *- exp_labels`)
		assert.Regexp(t, fires, string(tests), "%s fires in no test", name[1])
	}
}

// Alerts that may send somebody to the electrodes carry the house's cautions.
func TestRulesCarryTheCautions(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(rulesDir, "arcdrift.rules.yml"))
	require.NoError(t, err)
	cautions := regexp.MustCompile(`(?m)^ *caution: (".*")$`).FindAllStringSubmatch(string(text), -1)
	require.Len(t, cautions, 2, "of stop and of electrodes due")
	for _, c := range cautions {
		text, err := strconv.Unquote(c[1])
		require.NoError(t, err)
		assert.Equal(t, advise.CautionText(), text)
	}
}

// A state is a word with a colour wherever a dashboard shows one, and fit is the good one.
func TestStatesHaveWordsAndColours(t *testing.T) {
	type mapped struct{ Text, Color string }
	seen := map[string]map[string]mapped{}
	var walk func(any)
	walk = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, one := range v {
				walk(one)
			}
		case map[string]any:
			if options, ok := v["options"].(map[string]any); ok && v["type"] == "value" && len(options) == len(advise.States()) {
				text, err := json.Marshal(options)
				require.NoError(t, err)
				var got map[string]mapped
				require.NoError(t, json.Unmarshal(text, &got))
				for code, one := range got {
					if seen[one.Text] == nil {
						seen[one.Text] = map[string]mapped{}
					}
					seen[one.Text][code] = one
				}
			}
			for _, one := range v {
				walk(one)
			}
		}
	}
	for _, text := range grafanaFiles(t) {
		var b any
		require.NoError(t, json.Unmarshal(text, &b))
		walk(b)
	}
	colours := map[string]string{}
	for _, state := range advise.States() {
		word := phrase.State(state)
		require.Contains(t, seen, word)
		assert.Contains(t, seen[word], string(state), "as text")
		assert.Len(t, seen[word], 2, "as text and as a number")
		for _, one := range seen[word] {
			require.NotEmpty(t, one.Color)
			if colours[word] != "" {
				assert.Equal(t, colours[word], one.Color, word)
			}
			colours[word] = one.Color
		}
	}
	assert.Len(t, colours, len(advise.States()))
}

// grafanaFiles are the dashboards by file name.
func grafanaFiles(t *testing.T) map[string][]byte {
	paths, err := filepath.Glob(filepath.Join(grafanaDir, "*.json"))
	require.NoError(t, err)
	require.Len(t, paths, 3, "fleet, machine and agent")
	files := map[string][]byte{}
	for _, path := range paths {
		files[filepath.Base(path)], err = os.ReadFile(path)
		require.NoError(t, err)
	}
	return files
}

// The schema is Grafana's own, through its Go SDK: unknown fields and wrong types
// are errors.
func TestDashboardsFollowTheSchema(t *testing.T) {
	plugins.RegisterDefaultPlugins()
	for name, text := range grafanaFiles(t) {
		t.Run(name, func(t *testing.T) {
			//lint:ignore SA1019 the classic schema is the one that every Grafana reads from files
			var board dashboard.Dashboard
			// The SDK hands back a list of faults that is empty, not nil, when
			// all is well.
			var faults cog.BuildErrors
			require.ErrorAs(t, board.UnmarshalJSONStrict(text), &faults)
			require.Empty(t, faults)
			require.NoError(t, board.Validate())
		})
	}
}

// board is what the house asks of a dashboard beyond the schema.
type board struct {
	UID, Title, Description string
	Panels                  []struct {
		ID                       int
		Type, Title, Description string
		Datasource               *struct{ UID string }
		FieldConfig              struct{ Defaults struct{ Unit string } }
		GridPos                  struct{ X, Y, W, H int }
		Targets                  []struct{ Expr string }
	}
	Templating struct{ List []struct{ Name string } }
	Time       struct{ From string }
	Links      []struct{ URL string }
}

func boards(t *testing.T) map[string]board {
	out := map[string]board{}
	for name, text := range grafanaFiles(t) {
		var b board
		require.NoError(t, json.Unmarshal(text, &b))
		out[name] = b
	}
	return out
}

func TestDashboardsKeepHouseRules(t *testing.T) {
	uids := map[string]bool{}
	for name, b := range boards(t) {
		assert.False(t, uids[b.UID], "%s: uid %s twice", name, b.UID)
		uids[b.UID] = true
		assert.Equal(t, "datasource", b.Templating.List[0].Name, name)
		assert.Equal(t, "now-90d", b.Time.From, name)
		assert.True(t, slices.ContainsFunc(b.Links, func(l struct{ URL string }) bool { return strings.HasSuffix(l.URL, "/help/alerts") }), "%s leads to the runbook", name)
		if name != "agent.json" {
			var variables []string
			for _, v := range b.Templating.List {
				variables = append(variables, v.Name)
			}
			assert.Equal(t, []string{"datasource", "instance", "site", "depot", "model", "machine"}, variables, name)
		}
		taken := map[[2]int]string{}
		ids := map[int]bool{}
		for _, p := range b.Panels {
			at := name + ": " + p.Title
			assert.False(t, ids[p.ID], "%s: id %d twice", at, p.ID)
			ids[p.ID] = true
			for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
				for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
					assert.Empty(t, taken[[2]int{x, y}], "%s lies over another panel", at)
					taken[[2]int{x, y}] = at
				}
			}
			if p.Type == "row" {
				continue
			}
			assert.LessOrEqual(t, p.GridPos.X+p.GridPos.W, 24, at)
			assert.NotEmpty(t, p.Description, "%s: says what it shows", at)
			assert.NotEmpty(t, p.FieldConfig.Defaults.Unit, "%s: has a unit", at)
			assert.Equal(t, "${datasource}", p.Datasource.UID, "%s: the datasource is the reader's choice", at)
			assert.NotEmpty(t, p.Targets, at)
		}
	}
}
