package phrase

import "strings"

// Code writes the code of a closed set as people read it: "check-first" is "check first".
func Code[S ~string](code S) string { return strings.ReplaceAll(string(code), "-", " ") }

// State is the name of a machine's state as it stands alone: "Check first".
func State[S ~string](state S) string { return Sentence(Code(state)) }
