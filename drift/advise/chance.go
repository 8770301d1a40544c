package advise

// Chance says a probability in counts: "About 3 in 10", "Less than 1 in 100".
func Chance(p float64) string { return chance(p) }
