package drift

import (
	"fmt"
	"slices"
	"strings"
)

// ValidMachine says whether a text can be the name of a machine.
func ValidMachine(name string) bool {
	machine, _ := FieldNamed("machine")
	return name != "" && machine.Set(&Record{Type: TypeUsage}, name) == nil
}

// NameKey is the same for names that people write differently for one machine:
// without case, dots, dashes, underscores and leading noughts. K-07, k07 and K_7
// have one.
func NameKey(machine string) string {
	var out strings.Builder
	nought := true // a nought here leads a number
	for _, c := range strings.ToLower(machine) {
		switch {
		case strings.ContainsRune("._-", c):
			nought = true
			continue
		case c == '0' && nought:
			continue
		}
		nought = c < '0' || c > '9'
		out.WriteRune(c)
	}
	return out.String()
}

// NearestName is the known machine that a new name is probably a slip of: one with the
// same key, else one whose key differs by one character; "" for none.
func NearestName(typed string, known []string) string {
	key := NameKey(typed)
	if len(key) < 2 || len(key) > MaxText {
		return ""
	}
	near := ""
	for _, name := range known {
		switch d := editDistance(key, NameKey(name)); {
		case d == 0:
			return name
		case d == 1 && near == "":
			near = name
		}
	}
	return near
}

// AskNames asks whether a machine is one of those whose names look like its own.
// alike are all of one key.
func AskNames(machine string, alike []string, setups *Setups) (Question, bool) {
	var others []string
	var replies []Reply
	for _, other := range alike {
		if other != machine && !setups.OfItsOwn(other) {
			others = append(others, other)
			replies = append(replies, Reply{Say: machine + " is " + other, Records: []string{}, Field: "renamed_to", Value: other})
		}
	}
	if len(others) == 0 || setups.OfItsOwn(machine) {
		return Question{}, false
	}
	slices.Sort(others)
	return Question{
		Kind: AskName, Machine: machine, Records: []string{},
		Text:    fmt.Sprintf("The names %s look like one machine. Are they the same? Each keeps its own history until you answer.", strings.Join(append([]string{machine}, others...), " and ")),
		Replies: append(replies, Reply{Say: machine + " is a machine of its own", Records: []string{}, Field: "counts", Value: "true"}),
	}, true
}
