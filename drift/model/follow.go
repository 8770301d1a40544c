package model

import "math"

// follow estimates Follow: the median share of the deviation, from the setting left by the
// last session, that the next setting has made up for, over sessions whose first attempt
// was measured and lay far enough off.
func (p *Params) follow(histories []History) {
	var shares []float64
	for _, h := range histories {
		left, known, pair, program := 0.0, false, -1, ""
		for i := range h.Events {
			ev := &h.Events[i]
			if ev.Kind != Attempt {
				continue
			}
			melt, measured := ev.Melt.Get()
			setting, stated := ev.Setting.Get()
			if off := setting - melt/p.Kappa - left; known && measured && stated && ev.NewSession && ev.Tries == 1 && ev.Pair == pair && ev.Program == program && math.Abs(off) >= farMoved {
				shares = append(shares, (setting-left)/off)
			}
			left, known = ev.Next.Get()
			pair, program = ev.Pair, ev.Program
		}
	}
	p.Follow = 0
	if len(shares) < enough {
		return
	}
	if share := min(median(shares), 1); share >= leastFollow {
		p.Follow = share
	}
}

const (
	// farMoved is the deviation, in log percent, above which that share is not mostly
	// rounding.
	farMoved = 0.3
	// leastFollow is the share below which rounding explains it.
	leastFollow = 0.3
)
