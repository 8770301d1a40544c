package proof

import (
	"fmt"
	"time"

	"arcdrift/agent/proof/document"
)

// The drawing, in millimetres: one strip per machine.
const (
	sheetWidth = 180.0
	stripLeft  = 26.0
	stripRight = 12.0
	stripTall  = 16.0 // of chance 1
	stripStep  = 26.0
	mostStrips = 9 // on one sheet
)

// figures draw the doubt by splice day, so many machines to a sheet.
func (f *Facts) figures() []document.Block {
	first, last := f.span()
	if first.IsZero() {
		return []document.Block{document.Paragraph{Text: "There is nothing to draw."}}
	}
	var out []document.Block
	for at := 0; at < len(f.Machines); at += mostStrips {
		out = append(out, document.Figure{Drawing: f.drawing(f.Machines[at:min(at+mostStrips, len(f.Machines))], first, last), Caption: "The height of a line says how likely a splice of that day was made outside tolerance. Below it stand the checks: a bar where the first attempt passed, a ring where it failed."})
	}
	return out
}

// span is the first and the last day to draw.
func (f *Facts) span() (first, last time.Time) {
	take := func(day string) {
		at, err := time.Parse(time.DateOnly, day)
		if err != nil {
			return
		}
		if first.IsZero() || at.Before(first) {
			first = at
		}
		if at.After(last) {
			last = at
		}
	}
	for i := range f.Machines {
		m := &f.Machines[i]
		for j := range m.Days {
			take(m.Days[j].Day)
		}
		for j := range m.Checks {
			take(m.Checks[j].Began.In(m.Zone).Format(time.DateOnly))
		}
	}
	return first, last
}

func (f *Facts) drawing(machines []Machine, first, last time.Time) document.Drawing {
	d := document.Drawing{Width: sheetWidth, Height: stripStep*float64(len(machines)) + 8}
	add := func(s document.Shape) { d.Shapes = append(d.Shapes, s) }
	days := max(last.Sub(first).Hours()/24, 1)
	x := func(day string) float64 {
		at, err := time.Parse(time.DateOnly, day)
		if err != nil {
			at = first
		}
		return stripLeft + 3 + (sheetWidth-stripLeft-stripRight-6)*at.Sub(first).Hours()/24/days
	}
	for i := range machines {
		m := &machines[i]
		base := float64(i)*stripStep + stripTall + 3
		add(document.Text{X: 0, Y: base - stripTall/2 + 1, Size: 3.2, Words: m.Machine})
		for _, level := range []struct {
			p     float64
			words string
		}{{0, "0"}, {0.5, "5 in 10"}, {1, "10 in 10"}} {
			y := base - stripTall*level.p
			add(document.Line{X1: stripLeft, Y1: y, X2: sheetWidth - stripRight, Y2: y, Pale: level.p > 0})
			add(document.Text{X: stripLeft - 1, Y: y + 0.8, Size: 2.2, Words: level.words, Anchor: document.End})
		}
		for j := range m.Days {
			if e := m.Days[j].Doubt; e != nil {
				at := x(e.Day)
				add(document.Line{X1: at, Y1: base, X2: at, Y2: base - stripTall*e.Chance})
				add(document.Dot{X: at, Y: base - stripTall*e.Chance, R: 0.8})
			}
		}
		for j := range m.Checks {
			at := x(m.Checks[j].Began.In(m.Zone).Format(time.DateOnly))
			if m.Checks[j].FoundGood {
				add(document.Box{X: at - 0.3, Y: base + 1.4, W: 0.6, H: 2.6})
			} else {
				add(document.Dot{X: at, Y: base + 2.7, R: 1.2, Open: true})
			}
		}
	}
	f.axis(add, x, first, last, d.Height)
	return d
}

// axis writes dates below the strips, as many as there is room for.
func (f *Facts) axis(add func(document.Shape), x func(string) float64, first, last time.Time, height float64) {
	const most = 7
	days := int(last.Sub(first).Hours() / 24)
	step := max((days+most-1)/most, 1)
	for n := 0; n <= days; n += step {
		at := first.AddDate(0, 0, n)
		add(document.Text{X: x(at.Format(time.DateOnly)), Y: height - 2, Size: 2.6, Words: fmt.Sprint(at.Format("2 Jan 2006")), Anchor: document.Middle})
	}
}
