package health

import "math"

// Share is the share of part in whole with the interval of Wilson at z normal standard
// deviations: the shares p that lie within z of their own standard error,
// |part/whole − p| ≤ z √(p(1−p)/whole). whole is at least 1. A page draws hundreds of
// these over thousands of calibrations each; the exact interval of score.ClopperPearson
// takes a sum over all of them.
//
// Source: E. B. Wilson, Probable inference, the law of succession, and statistical
// inference, JASA 22 (1927) 209–212.
func Share(part, whole int, z float64) (share, low, high float64) {
	n := float64(whole)
	share = float64(part) / n
	middle := (share + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(share*(1-share)/n+z*z/(4*n*n))
	return share, max(middle-half, 0), min(middle+half, 1)
}
