package synth

import "slices"

// Worlds are the kinds of fleet that a model is tried on. They differ in kind;
// no number in them is anybody's measurement.
func Worlds() []World {
	return []World{
		straight(), bent(), thinAir(), compensating(), dirty(), blunt(),
		unlogged(), firmware(), threeModels(), healthy(), suddenDirt(),
		twoStage(), suddenEnd(), stairs(), heavyTails(), oddAir(), lots(), byPolicy(),
	}
}

// OtherLaws says whether a model of the world departs from the ordinary in form
// and not only in numbers.
func (w *World) OtherLaws() bool {
	return slices.ContainsFunc(w.Models, func(m Model) bool { return m.Law != Law{} })
}

// WorldNamed returns the world of that name, false if there is none.
func WorldNamed(name string) (World, bool) {
	for _, w := range Worlds() {
		if w.Name == name {
			return w, true
		}
	}
	return World{}, false
}

// ordinary is what the worlds have in common.
func ordinary(name, about string, models ...Model) World {
	return World{
		Name: name, About: about, Models: models,
		Sites: []Site{
			{Name: "coast", AltitudeM: 20, MeanC: 9, SeasonC: 8, DayC: 3, HumidityPct: 75, Dirt: 1},
			{Name: "plain", AltitudeM: 180, MeanC: 9, SeasonC: 11, DayC: 5, HumidityPct: 68, Dirt: 1},
			{Name: "hills", AltitudeM: 650, MeanC: 6, SeasonC: 10, DayC: 5, HumidityPct: 70, Dirt: 1},
			{Name: "pass", AltitudeM: 1450, MeanC: 2, SeasonC: 9, DayC: 6, HumidityPct: 65, Dirt: 1},
		},
		Grades:     Mix{Full: 0.55, Correction: 0.25, Typed: 0.5},
		ArcsPerDay: 55, ArcsSpread: 0.45, DaySpread: 0.35,
		FirstWear: 0.6,
		Usage:     0.4, Barometers: 0.3, MoveRate: 0.05, MoveChecked: 0.7,
		Ends:  Ends{BadEnd: 0.02, BluntBadEnd: 0.25, BluntEvery: 120, BluntDays: 3},
		Bench: Bench{Patience: 0.3, Cleans: 1},
	}
}

// typeOne compensates nothing, wears straight and ends by its scatter.
func typeOne() Model {
	return Model{
		Name: "type-1", Program: "single-mode", Share: 1,
		Target: 260, Tolerance: 25, Limit: 14, AttemptLimit: 4,
		Kappa: Spread{2.1, 0.08}, BelievedKappa: 2, Gain: 0.55, PassGain: 0.3,
		Density: Spread{0.42, 0.06}, Humidity: Spread{0.06, 0.02}, Temperature: Spread{0.03, 0.02},
		Offset: Spread{0, 1.5}, Slope: Spread{2.2, 0.9}, Bend: 1, Wander: 0.6,
		Scatter: 1.25, ScatterArcs: 1700, ScatterBend: 4, ScatterSpread: 0.2,
		DirtRate: 0.12, DirtLevel: 2, DirtScatter: 1, CleanTakes: 0.5, CleanFades: 0.6,
		Conditioning: 20, NewOffset: 2, NewScatter: 1,
	}
}

// typeTwo is a heavier machine with another program: tighter, slower to wear,
// and correcting after fails only.
func typeTwo() Model {
	m := typeOne()
	m.Name, m.Program = "type-2", "ribbon"
	m.Target, m.Tolerance, m.Limit = 340, 31, 12
	m.Kappa, m.BelievedKappa = Spread{1.75, 0.08}, 2
	m.Gain, m.PassGain = 0.7, 0
	m.Density, m.Humidity, m.Temperature = Spread{0.3, 0.05}, Spread{0.03, 0.02}, Spread{-0.02, 0.02}
	m.Slope, m.Wander = Spread{1.2, 0.5}, 0.45
	m.Scatter, m.ScatterArcs, m.ScatterBend = 1.5, 2400, 5
	return m
}

func straight() World {
	return ordinary("straight", "electrodes wear straight; air effects are moderate", typeOne(), typeTwo())
}

func bent() World {
	one, two := typeOne(), typeTwo()
	one.Bend, one.Slope = 2.2, Spread{2, 0.8}
	two.Bend, two.Slope = 1.7, Spread{1.6, 0.6}
	one.ScatterBend, one.ScatterArcs = 3, 1600
	return ordinary("bent", "wear is slow at first and quickens", one, two)
}

func thinAir() World {
	one, two := typeOne(), typeTwo()
	one.Density, two.Density = Spread{0.7, 0.08}, Spread{0.55, 0.08}
	one.Humidity, one.Temperature = Spread{0.12, 0.03}, Spread{0.07, 0.02}
	one.Limit, two.Limit = 20, 20
	w := ordinary("thin-air", "the air matters much and crews move up and down mountains", one, two)
	w.Sites = append(w.Sites, Site{Name: "ridge", AltitudeM: 2300, MeanC: -1, SeasonC: 8, DayC: 6, HumidityPct: 60, Dirt: 1})
	w.MoveRate = 0.15
	return w
}

func compensating() World {
	one, two := typeOne(), typeTwo()
	one.Density, one.Humidity, one.Temperature = Spread{0.02, 0.02}, Spread{0.01, 0.01}, Spread{0, 0.01}
	w := ordinary("compensating", "one model makes up for the air's pressure by itself", one, two)
	w.MoveRate = 0.12
	return w
}

func dirty() World {
	w := ordinary("dirty", "some sites soil electrodes often", typeOne(), typeTwo())
	for i, d := range []float64{1, 2, 6, 9} {
		w.Sites[i].Dirt = d
	}
	w.Bench.Cleans = 3
	return w
}

func blunt() World {
	w := ordinary("blunt", "cleavers are blunt for days on end", typeOne(), typeTwo())
	w.Ends = Ends{BadEnd: 0.03, BluntBadEnd: 0.4, BluntEvery: 25, BluntDays: 5}
	return w
}

func unlogged() World {
	w := ordinary("unlogged", "services are often not written down, counters not set back", typeOne(), typeTwo())
	w.Bench.Unlogged, w.Bench.KeptCounter, w.Bench.ReplaceAt = 0.4, 0.15, 3500
	w.Bench.Patience = 0.5
	return w
}

func firmware() World {
	one, two := typeOne(), typeTwo()
	one.FirmwareDay, one.FirmwareGain = 110, 0.9
	two.FirmwareDay, two.FirmwareGain = 160, 0.4
	return ordinary("firmware", "new firmware changes how much of an error a machine corrects", one, two)
}

// threeModels has little in common between its models: one lives short, one
// long, one in between that drifts down and reports little.
func threeModels() World {
	one, two, three := typeOne(), typeTwo(), typeOne()
	one.ScatterArcs, one.Slope = 950, Spread{3.5, 1.2}
	two.ScatterArcs, two.Slope = 2800, Spread{0.8, 0.4}
	three.Name, three.Program, three.Share = "type-3", "single-mode", 0.6
	three.Target, three.Tolerance, three.Limit, three.AttemptLimit = 180, 15, 10, 3
	three.Kappa, three.BelievedKappa, three.Gain, three.PassGain = Spread{2.6, 0.1}, 2.5, 1, 0.15
	three.Density, three.Slope, three.Scatter, three.ScatterArcs = Spread{0.15, 0.05}, Spread{-1.5, 0.7}, 1.0, 1400
	return ordinary("three-models", "three models of very different lives", one, two, three)
}

// healthy has no electrode that fails within a year.
func healthy() World {
	one, two := typeOne(), typeTwo()
	for _, m := range []*Model{&one, &two} {
		m.Slope, m.Wander, m.DirtRate = Spread{0.1, 0.05}, 0.15, 0
		m.Scatter, m.ScatterArcs, m.ScatterBend, m.ScatterSpread = 1.2, 60_000, 2, 0.1
	}
	w := ordinary("healthy", "nothing is wrong but blunt cleavers and moves", one, two)
	w.Ends = Ends{BadEnd: 0.02, BluntBadEnd: 0.35, BluntEvery: 40, BluntDays: 4}
	w.MoveRate = 0.1
	return w
}

func suddenDirt() World {
	one, two := typeOne(), typeTwo()
	for _, m := range []*Model{&one, &two} {
		m.Slope = Spread{0.6, 0.3}
		m.ScatterArcs, m.ScatterSpread = 3500, 0.15
		m.DirtRate, m.DirtLevel, m.DirtScatter = 0.45, 4, 2.5
	}
	return ordinary("sudden-dirt", "little wear, but dirt that comes at once and weighs", one, two)
}
