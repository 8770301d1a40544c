package manual_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent"
	"arcdrift/agent/alert"
	"arcdrift/agent/auth"
	"arcdrift/agent/metrics"
	"arcdrift/agent/mqtt"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// tables are the parts of topics that the code knows, by the name of their mark:
// they stand between <!-- NAME --> and <!-- end NAME -->.
func tables(t *testing.T) map[string]string {
	return map[string]string{
		"fields":    fieldTables(),
		"metrics":   metricTable(),
		"rules":     ruleTable(),
		"roles":     roleTable(),
		"routes":    routeTable(t),
		"commands":  commandTable(t),
		"settings":  settingTable(t),
		"cautions":  "- " + strings.Join(advise.Cautions(), "\n- ") + "\n",
		"topics in": topicsIn(t),
		"topics out": header("Topic", "Payload") +
			row(code(topic+mqtt.Receipt), "the receipt of a record, once it is on the disk, or why it was refused") +
			row(code(topic+mqtt.State), "the state of the machine, retained") +
			row(code(topic+mqtt.Alert), "an alert, or that it has ended") +
			row(code(topic+"site-check/answer"), "the answer to a question, with its `ask_id`"),
	}
}

// inStep holds the marked parts of topics and README to the table, or writes them
// again.
func inStep(t *testing.T, name, table string) {
	t.Helper()
	begin, end := "<!-- "+name+" -->\n\n", "\n<!-- end "+name+" -->\n"
	files, err := filepath.Glob(filepath.Join(topicsDir, "*.md"))
	require.NoError(t, err)
	stands := false
	for _, file := range append(files, readme) {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		before, rest, found := strings.Cut(string(raw), begin)
		if !found {
			continue
		}
		stands = true
		has, after, found := strings.Cut(rest, end)
		require.True(t, found, "%s: %q is not closed", file, begin)
		if *update && has != table {
			require.NoError(t, os.WriteFile(file, []byte(before+begin+table+end+after), 0o644))
			continue
		}
		require.Equal(t, table, has, "%s: go test ./agent/manual -run InStep -update writes it again", file)
	}
	assert.True(t, stands, "no topic has the table %q", name)
}

// row is a row of a Markdown table.
func row(cells ...string) string {
	for i, c := range cells {
		cells[i] = strings.ReplaceAll(c, "|", `\|`)
	}
	return "| " + strings.Join(cells, " | ") + " |\n"
}

func header(cells ...string) string {
	return row(cells...) + strings.Repeat("|---", len(cells)) + "|\n"
}

func code(s string) string {
	if s == "" {
		return ""
	}
	return "`" + s + "`"
}

// fieldTables has a table for each set of record types.
func fieldTables() string {
	var order []string
	groups := map[string][]*drift.Field{}
	for _, f := range drift.AllFields() {
		title := "Every record"
		if len(f.In) > 0 {
			var names []string
			for _, one := range f.In {
				names = append(names, string(one))
			}
			title = strings.ToUpper(names[0][:1]) + strings.Join(names, ", ")[1:]
		}
		if !slices.Contains(order, title) {
			order = append(order, title)
		}
		groups[title] = append(groups[title], f)
	}
	var out strings.Builder
	for i, title := range order {
		if i > 0 {
			out.WriteString("\n")
		}
		out.WriteString("### " + title + "\n\n" + header("Field", "Value", "Meaning"))
		for _, f := range groups[title] {
			out.WriteString(row(code(f.Name), values(f), upperFirst(f.Means)))
		}
	}
	return out.String()
}

// values says what a field may hold.
func values(f *drift.Field) string {
	from := "from"
	if f.OpenMin {
		from = "above"
	}
	bounds := strings.TrimSpace(fmt.Sprintf("%s %.0f to %.0f %s", from, f.Min, f.Max, f.Unit))
	switch {
	case f.Words != nil:
		return "`" + strings.Join(f.Words, "`, `") + "`"
	case f.Kind == drift.Text:
		return "text"
	case f.Kind == drift.Moment:
		return "a time with its offset"
	case f.Kind == drift.Flag:
		return "true or false"
	case f.Kind == drift.Days:
		return "true, false, or a whole number " + bounds
	case f.Kind == drift.Integer:
		return "a whole number " + bounds
	}
	return bounds
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// topic is how the topics of a machine begin.
const topic = "arcdrift/v1/MACHINE/"

func topicsIn(t *testing.T) string {
	words := map[drift.Type]string{
		drift.TypeCalibration: "a calibration attempt or session",
		drift.TypeService:     "what was done to the electrodes",
		drift.TypeUsage:       "the arc count, between calibrations",
		drift.TypeSplice:      "how many splices were made",
		drift.TypeSetup:       "what is known of the machine",
		drift.TypeCorrection:  "what was wrong in an earlier record",
		drift.TypeDecision:    "what is to be done about splices that a look-back doubts",
	}
	out := header("Topic", "Payload")
	for _, typ := range drift.Types() {
		require.Contains(t, words, typ)
		out += row(code(topic+string(typ)), words[typ])
	}
	out += row(code(topic+"air"), "what a sensor says of the air at the machine; no record, only the latest is kept")
	return out + row(code(topic+"site-check/ask"), "a question: do we recalibrate here?")
}

func metricTable() string {
	out := header("Metric", "Labels", "Meaning")
	for _, d := range metrics.Descriptions() {
		var labels []string
		for _, l := range d.Labels {
			labels = append(labels, code(l))
		}
		out += row(code(d.Name), strings.Join(labels, ", "), d.Help)
	}
	return out
}

func ruleTable() string {
	out := header("Rule", "When people are told", "Condition must stand for", "Ends after")
	when := map[alert.Severity]string{alert.Stop: "at once", alert.Plan: "next working morning", alert.Note: "morning list only"}
	for _, r := range alert.Rules() {
		out += row(code(string(r.Name)), when[r.Severity], span(r.Hold), span(r.Clear))
	}
	return out
}

func span(d time.Duration) string {
	switch {
	case d == 0:
		return "at once"
	case d%(24*time.Hour) == 0:
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	case d == time.Hour:
		return "1 hour"
	}
	return fmt.Sprintf("%d minutes", d/time.Minute)
}

func roleTable() string {
	rights := []struct {
		right auth.Right
		words string
	}{
		{auth.Read, "read pages and answers of every machine"},
		{auth.Ask, "ask the site check"},
		{auth.HandIn, "send records"},
		{auth.Log, "log calibrations, arc counts, splices and corrections"},
		{auth.Service, "log services, answer alerts"},
		{auth.Settings, "change settings of machines, sites, models and the fleet"},
		{auth.Relay, "pass on refused records and names (a van's agent)"},
		{auth.Accounts, "invite, list and remove accounts"},
		{auth.Export, "export everything, copy the store"},
	}
	cells := []string{"May"}
	roles := append([]auth.Role{auth.Device}, auth.Roles()...)
	for _, r := range roles {
		cells = append(cells, string(r))
	}
	out := header(cells...)
	for _, one := range rights {
		cells := []string{one.words}
		for _, r := range roles {
			mark := ""
			if r.May(one.right) {
				mark = "yes"
			}
			cells = append(cells, mark)
		}
		out += row(cells...)
	}
	return out
}

// openAPI reads the document about the HTTP API, puts the fields of records into it
// and returns it as JSON.
func openAPI(t *testing.T) json.RawMessage {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(topicsDir, "openapi.yaml"))
	require.NoError(t, err)
	doc, err := openapi3.NewLoader().LoadFromData(raw)
	require.NoError(t, err)
	require.NoError(t, doc.Validate(t.Context(), openapi3.IsOpenAPI31OrLater()))
	properties := doc.Components.Schemas["Record"].Value.Properties
	for _, f := range drift.AllFields() {
		properties[f.Name] = &openapi3.SchemaRef{Value: schemaOf(f)}
	}
	out, err := doc.MarshalJSON()
	require.NoError(t, err)
	return out
}

// schemaOf is the JSON schema of a field of a record.
func schemaOf(f *drift.Field) *openapi3.Schema {
	s := &openapi3.Schema{Description: upperFirst(f.Means) + "."}
	bounds := func() {
		low, high := f.Min, f.Max
		if f.OpenMin {
			s.ExclusiveMin = openapi3.ExclusiveBound{Value: &low}
		} else {
			s.Min = &low
		}
		s.Max = &high
	}
	switch f.Kind {
	case drift.Text:
		s.Type = &openapi3.Types{"string"}
		for _, w := range f.Words {
			s.Enum = append(s.Enum, w)
		}
	case drift.Moment:
		s.Type, s.Format = &openapi3.Types{"string"}, "date-time"
	case drift.Flag:
		s.Type = &openapi3.Types{"boolean"}
	case drift.Integer:
		s.Type = &openapi3.Types{"integer"}
		bounds()
	case drift.Number:
		s.Type = &openapi3.Types{"number"}
		bounds()
	case drift.Days:
		s.Type = &openapi3.Types{"boolean", "integer"}
		bounds()
	}
	return s
}

func routeTable(t *testing.T) string {
	doc, err := openapi3.NewLoader().LoadFromData(openAPI(t))
	require.NoError(t, err)
	out := header("Request", "What it does")
	for _, path := range doc.Paths.InMatchingOrder() {
		for _, method := range []string{"GET", "POST"} {
			if op := doc.Paths.Value(path).GetOperation(method); op != nil {
				out += row(code(method+" "+path), op.Summary)
			}
		}
	}
	return out
}

// said is what a command answers.
func said(t *testing.T, args ...string) string {
	t.Helper()
	var out, talk bytes.Buffer
	code := agent.Run(t.Context(), agent.Env{Program: "arcdrift", Args: args, Stdin: strings.NewReader(""), Stdout: &out, Stderr: &talk, Now: func() time.Time { return moment }})
	require.Zero(t, code, "arcdrift %s: %s", strings.Join(args, " "), talk.String())
	return out.String()
}

// moment is now wherever an answer is shown.
var moment = time.Date(2026, 11, 29, 8, 14, 0, 0, time.UTC)

func commandTable(t *testing.T) string {
	_, rest, found := strings.Cut(said(t, "help"), "Available Commands:\n")
	require.True(t, found)
	list, _, _ := strings.Cut(rest, "\n\n")
	out := header("Command", "What it does")
	for line := range strings.Lines(list) {
		name, what, _ := strings.Cut(strings.TrimSpace(line), " ")
		out += row(code("arcdrift "+name), strings.TrimSpace(what))
	}
	return out
}

var flagLine = regexp.MustCompile(`^ +--([a-z-]+)(?: (\S+))? {2,}(.*)$`)

func settingTable(t *testing.T) string {
	_, rest, found := strings.Cut(said(t, "serve", "--help"), "\nFlags:\n")
	require.True(t, found)
	list, _, _ := strings.Cut(rest, "\n\n")
	out := header("Setting", "Default", "Meaning")
	for line := range strings.Lines(list) {
		m := flagLine.FindStringSubmatch(strings.TrimRight(line, "\n"))
		if m == nil {
			continue // --help
		}
		means, standard := m[3], ""
		if at := strings.LastIndex(means, " (default "); at >= 0 {
			means, standard = means[:at], strings.Trim(strings.TrimSuffix(means[at+10:], ")"), `"`)
		}
		out += row(code(strings.ReplaceAll(m[1], "-", "_")), code(standard), upperFirst(means))
	}
	return out
}
