package synth

// otherwise is an ordinary world whose two models are changed alike.
func otherwise(name, about string, change func(m *Model)) World {
	one, two := typeOne(), typeTwo()
	change(&one)
	change(&two)
	return ordinary(name, about, one, two)
}

func twoStage() World {
	return otherwise("two-stage", "wear is slow, then fast from an arc count of the pair's own; scatter grows linearly; a new pair puts the setting back to nominal",
		func(m *Model) {
			m.Slope = Spread{2.4, 0.8}
			m.ScatterArcs = 900
			m.Law = Law{Wear: TwoStage, Growth: Linear, Turn: 1300, TurnSpread: 0.5, Resets: true}
		})
}

// suddenEnd has lives from some 300 to some 8000 arcs.
func suddenEnd() World {
	return otherwise("sudden-end", "wear comes to rest and scatter is flat, until at a random age scatter rises within a few hundred arcs",
		func(m *Model) {
			m.Slope = Spread{1.5, 0.8}
			m.ScatterArcs = 400
			m.Law = Law{Wear: Saturating, Growth: Cliff, Turn: 1300, TurnSpread: 0.95}
		})
}

func stairs() World {
	return otherwise("stairs", "scatter rises in steps, half of it is common to a session; machines set in steps of 0.5 % and leave a deviation within half the tolerance",
		func(m *Model) {
			m.Law = Law{Growth: Stairs, Turn: 550, TurnSpread: 0.4, Noise: Shared, DeadBand: 0.5, CoarseSteps: true}
		})
}

func heavyTails() World {
	w := otherwise("heavy-tails", "attempts err with heavy tails in one model, skewed in the other; scatter grows exponentially and with the level; machines correct towards the mean of three results",
		func(m *Model) {
			m.Slope = Spread{1.6, 1.2}
			m.ScatterArcs = 1300
			m.Law = Law{Growth: Exponential, Noise: HeavyTails, LevelScatter: 0.08, Averages: true}
		})
	w.Models[1].Law.Noise = Skewed
	return w
}

func oddAir() World {
	w := otherwise("odd-air", "cold and humidity act with their squares, machines differ much in density exponent and level, and service of other parts shifts the level",
		func(m *Model) {
			m.Limit = 20
			m.Density, m.Humidity, m.Temperature = Spread{0.4, 0.22}, Spread{0.012, 0.006}, Spread{0.008, 0.004}
			m.Law = Law{CurvedAir: true, MachineOffset: 3, JoltRate: 0.015, Jolt: 1.8}
		})
	w.MoveRate = 0.12
	return w
}

func lots() World {
	w := otherwise("lots", "pairs come in good and bad lots, settle over 100 arcs and get scatter but not level back by cleaning; half the machines have a tighter tolerance",
		func(m *Model) {
			m.Conditioning = 100
			m.Law = Law{BadLots: 0.35, BadLot: 1.5, Tight: 0.5, CleanRestores: true}
		})
	w.Bench.Cleans = 2
	return w
}

func byPolicy() World {
	w := otherwise("by-policy", "pairs are replaced at 1100 arcs, so that most lives are cut; some machines calibrate twice a week, some burn 300 arcs a day; scatter turns at a random age",
		func(m *Model) {
			m.Slope = Spread{1.2, 0.6}
			m.ScatterArcs = 800
			m.Law = Law{Growth: Cliff, Turn: 900, TurnSpread: 0.5}
		})
	w.Bench.ReplaceAt, w.Seldom, w.Heavy = 1100, 0.35, 0.2
	return w
}
