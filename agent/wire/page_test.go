package wire

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// The page for senders has a row for every field, in the order of the field
// table, and says what that says.
func TestThePageForSendersNamesEveryField(t *testing.T) {
	rows := map[string][]string{}
	var order []string
	for line := range strings.Lines(string(sample(t, "README.md"))) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), " | ")
		if name := strings.TrimSpace(cells[0]); len(cells) == 5 && strings.HasPrefix(name, "`") {
			name = strings.Trim(name, "`")
			rows[name] = cells[1:]
			order = append(order, name)
		}
	}
	var want []string
	for _, f := range drift.AllFields() {
		want = append(want, f.Name)
		row, ok := rows[f.Name]
		if !assert.True(t, ok, "no row: %s", strings.Join(cellsOf(f), " | ")) {
			continue
		}
		for i, cell := range cellsOf(f)[1:] {
			assert.Equal(t, cell, strings.TrimSpace(row[i]), "%s: %s", f.Name, strings.Join(cellsOf(f), " | "))
		}
	}
	assert.Equal(t, append(want, "extra", "fields"), order, "and the two that are no plain values")
}

// cellsOf is what a row must say of a field.
func cellsOf(f *drift.Field) []string {
	in := "all"
	if f.In != nil {
		var types []string
		for _, typ := range f.In {
			types = append(types, string(typ))
		}
		in = strings.Join(types, ", ")
	}
	return []string{"`" + f.Name + "`", f.Kind.String(), in, bounds(f), f.Means}
}

func bounds(f *drift.Field) string {
	switch {
	case f.Words != nil:
		return "`" + strings.Join(f.Words, "`, `") + "`"
	case f.Kind == drift.Text, f.Kind == drift.Flag, f.Kind == drift.Moment:
		return "–"
	}
	from := "from"
	if f.OpenMin {
		from = "above"
	}
	return strings.TrimSpace(fmt.Sprintf("%s %.0f to %.0f %s", from, f.Min, f.Max, f.Unit))
}
