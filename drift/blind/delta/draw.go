package delta

import (
	"fmt"
	"math"
	"time"

	"arcdrift/drift/blind"
)

// fleet is all that is drawn before anything happens.
type fleet struct {
	key      uint64
	start    time.Time
	land     land
	temper   temper
	models   []*model
	crews    []*crew
	bench    bench
	machines []*machine
}

// temper is what makes fleets differ as a whole.
type temper struct {
	wear, air, restless, rate, care float64
	high                            float64 // metres of the highest site
}

// drawFleet draws everything from the seed; the telling has its own streams.
func drawFleet(w blind.Wish) *fleet {
	f := &fleet{key: key(w.Seed, forFleet), start: w.Start}
	d := newDice(f.key)
	f.temper = temper{
		wear: d.about(0.33, 1.4), air: d.about(0.6, 1.5), restless: d.about(0.75, 1.35),
		rate: d.about(11, 38), care: d.about(0.4, 2.5),
		high: [3]float64{d.between(80, 500), d.between(500, 1500), d.between(1500, 3600)}[d.one(0.35, 0.35, 0.3)],
	}
	f.land = drawLand(f, w)
	f.bench = drawBench(newDice(key(f.key, forService)))
	n := 1 + d.one(0.2, 0.3, 0.3, 0.2)
	for i := range n {
		f.models = append(f.models, drawModel(f, w, i, newDice(key(f.key, forModel, uint64(i)))))
	}
	n = max(1, int(float64(w.Machines)/d.between(1.5, 4)))
	for i := range n {
		f.crews = append(f.crews, drawCrew(f, i, newDice(key(f.key, forCrew, uint64(i)))))
	}
	for i := range w.Machines {
		f.machines = append(f.machines, drawMachine(f, w, i, newDice(key(f.key, forMachine, uint64(i)))))
	}
	return f
}

func drawLand(f *fleet, w blind.Wish) land {
	d := newDice(key(f.key, forSite))
	l := land{
		key: key(f.key, forWeather), start: w.Start.Unix(), weekday: int(w.Start.UTC().Weekday()),
		climate: climate{
			sdTemp: d.between(2, 5.5), sdPressure: d.between(3, 11), sdHumidity: d.between(7, 17),
			keep: d.between(0.5, 0.85), keepP: d.between(0.6, 0.9), south: d.odds(0.2),
			zone: float64(d.IntN(8) - 3),
		},
	}
	l.climate.yearOf(w.Start.UTC().YearDay())
	mean, year := d.between(4, 22), d.between(3, 13)
	humid := d.between(45, 80)
	n := 4 + d.IntN(10)
	for i := range n {
		high := d.Float64()
		s := site{
			name:     fmt.Sprintf("%s %d", [5]string{"Lot", "Ring", "Trunk", "Feeder", "Yard"}[d.IntN(5)], i+1),
			altitude: math.Round(f.temper.high * high * high),
			year:     year * d.spread(0.1), day: d.between(1.5, 7),
			humidity: max(25, min(92, humid+8*d.NormFloat64())), attend: d.about(0.3, 3),
		}
		s.mean = mean - 0.006*s.altitude + d.NormFloat64()
		s.pressure = standardPressure(s.altitude)
		l.sites = append(l.sites, s)
	}
	return l
}

func drawBench(d dice) bench {
	b := bench{
		backlog: d.about(0.5, 8), cleanings: d.IntN(5), worn: d.between(0.3, 1.1),
		eye: d.between(0.15, 0.6), keepsDays: d.odds(0.25),
	}
	if d.odds(0.45) {
		b.preventive = int64(d.about(2500, 9000))
	}
	return b
}

// drawModel draws a make and type of machine.
func drawModel(f *fleet, w blind.Wish, i int, d dice) *model {
	m := &model{
		name: fmt.Sprintf("make %c", 'A'+i), share: d.about(0.2, 3),
		physics: drawPhysics(f.temper, d),
		limit:   math.Round(d.between(10, 27)), attempts: [4]int{4, 3, 5, 6}[d.one(0.8, 0.07, 0.08, 0.05)],
		update: -1, ownSetting: d.odds(0.5), zeroOnNew: d.odds(0.4),
	}
	// Nobody buys machines whose range does not reach the highest site.
	p := &m.physics
	thin := 100 * p.byDensity * max(0, 1-p.madeUp) * math.Log(refPressure/standardPressure(f.temper.high))
	m.limit = min(55, max(m.limit, math.Ceil(thin+9)))
	m.firmware[0] = drawFirmware(d)
	m.firmware[1] = m.firmware[0]
	if d.odds(0.25) {
		m.update = w.Days/5 + d.IntN(max(1, 3*w.Days/5))
		m.firmware[1] = drawFirmware(d)
	}
	n := 1 + d.one(0.55, 0.3, 0.15)
	if w.Programs > 0 {
		n = min(w.Programs, maxPrograms)
	}
	// A maker allows more where meltback answers more to power.
	target, within := d.between(130, 420), d.between(0.09, 0.17)*math.Sqrt(m.physics.exponent()/2.8)
	for k := range n {
		t := math.Round(target * [2]float64{1, d.between(0.7, 1.35)}[min(k, 1)])
		m.programs = append(m.programs, program{
			name:   fmt.Sprintf("%s-%d", [4]string{"g", "std", "bend", "long"}[d.IntN(4)], k+1),
			target: t, within: math.Round(t*within*d.between(0.9, 1.1)) + 1, off: 0.02 * d.NormFloat64(),
		})
	}
	return m
}

// drawPhysics draws the constants of a model's arc.
func drawPhysics(t temper, d dice) physics {
	width := d.between(180, 420)
	p := physics{
		soft: d.between(0.4, 0.72), curve: d.between(-0.1, 0.5), width: width, lean: d.between(0.05, 0.45),
		gap0: d.between(1200, 3200), radius0: d.between(15, 60),
		byGap: d.between(0.3, 1.4), byBlunt: d.between(-0.02, 0.09), bySilica: d.between(0.03, 0.14), half: 1,
		byDensity: d.between(0.1, 0.5) * t.air, byVapour: d.between(-0.0008, 0.0022), byBody: d.between(0, 0.0011) * t.air,
		sensorOff: 0, recede: d.about(0.015, 0.06) * t.wear, deposit: d.about(0.15, 0.7) / 1000 * t.wear,
		burnOff: d.about(1.0/6000, 1.0/900), steep: d.between(0.8, 3),
		lumps: d.about(1.0/12000, 1.0/1800), lump: d.between(0.1, 0.6), dirty: d.about(1.0/25000, 1.0/2500),
		pull: d.about(1.0/4000, 1.0/500), jump: width * d.between(0.03, 0.09) * t.restless,
		roughBlunt: d.between(0.1, 0.8), roughSilica: d.between(0.1, 0.6),
		supply: d.between(0.003, 0.011) * t.restless, share: d.between(0.006, 0.022), pixel: d.between(0.4, 3),
		settle: d.between(-0.05, 0.05), settleArcs: d.between(4, 30),
		flicker: d.between(0.1, 0.5), flickerLoss: d.between(0.02, 0.15),
	}
	// Growth of the radius by µm of metal lost: a pair doubles its radius in 2,000 to
	// 12,000 arcs.
	p.blunt = p.radius0 / (p.recede / t.wear * d.about(2000, 12000))
	// How far the hot spot walks before it is pulled back.
	p.walk = width * d.between(0.05, 0.25) * math.Sqrt(2*p.pull)
	if d.odds(0.35) {
		p.madeUp = d.between(0.5, 1.15)
	}
	return p
}

func drawFirmware(d dice) firmware {
	f := firmware{
		how: d.one(0.65, 0.2, 0.15), edge: d.one(0.5, 0.25, 0.25),
		dead: d.between(0, 0.04), step: d.between(1, 3),
		round: [4]float64{0.1, 0.25, 0.5, 1}[d.one(0.5, 0.15, 0.25, 0.1)], afterPass: d.odds(0.55), giveBack: d.odds(0.25),
	}
	f.gain = d.between(0.3, 1.6)
	if d.odds(0.6) {
		f.gain = d.between(0.6, 1.1) // most makers know their arc
	}
	if f.how != proportional {
		f.step *= d.between(1, 2)
		f.dead += 0.03 // a step from nearer would go past the target
	}
	// With steps, giving back could leave a machine for ever too far off to reach.
	f.giveBack = f.giveBack && f.how == proportional
	return f
}

// drawCrew draws people and their habits.
func drawCrew(f *fleet, i int, d dice) *crew {
	k := &crew{
		name: fmt.Sprintf("crew-%d", i+1), key: key(f.key, forProject, uint64(i)),
		stay: d.about(1.5, 50), summer: d.odds(0.6), dawn: 360 + d.IntN(120) - int(60*f.land.climate.zone),
		heater: d.between(0, 0.85), warmNight: d.odds(0.6), onMove: d.between(0.2, 1),
		lookAfter: [4]int{1, 2, 3, 0}[d.one(0.3, 0.4, 0.15, 0.15)], ownHands: d.between(0, 1),
		friday: d.odds(0.025 * f.temper.care), cleaver: fmt.Sprintf("cl-%02d", i+1),
		blade: d.about(1500, 16000), turnAt: d.between(0.7, 1.8), notice: d.between(0.02, 0.4),
		spoil: d.about(0.002, 0.02), forget: d.between(0, 0.3), fumble: d.between(0, 0.25), delay: d.about(0.3, 60),
	}
	k.weekend = [2]float64{0, d.between(0.1, 0.7)}[d.one(0.6, 0.4)]
	if d.odds(0.4) {
		k.onWeather = d.between(8, 18)
	}
	if d.odds(0.1 * f.temper.care) {
		k.cleanEvery = int64(d.about(600, 3000))
	}
	if d.odds(0.25) {
		k.extra = 1 + d.IntN(6)
		k.onlyPass = d.odds(0.5)
	}
	for range 1 + d.IntN(3) {
		k.operators = append(k.operators, [8]string{"Ana", "Bo", "Chidi", "Dita", "Emre", "Fay", "Goran", "Hui"}[d.IntN(8)])
	}
	k.sites = append(k.sites, d.Perm(len(f.land.sites))[:min(2+d.IntN(maxSites-1), len(f.land.sites))]...)
	return k
}

// drawMachine draws one machine of a model in the hands of a crew.
func drawMachine(f *fleet, w blind.Wish, i int, d dice) *machine {
	shares := make([]float64, len(f.models))
	for k, m := range f.models {
		shares[k] = m.share
	}
	m := &machine{
		name: fmt.Sprintf("S%02d-%03d", f.key%89+10, i+1), key: key(f.key, forMachine, uint64(i), 1),
		model: f.models[d.one(shares...)], land: &f.land, crew: f.crews[d.IntN(len(f.crews))], bench: &f.bench,
		rate: max(5, min(160, f.temper.rate*d.spread(0.6))), burst: d.between(0.1, 0.9), idle: d.about(0.02, 0.3),
		change: d.about(0.01, 0.2), leave: math.MaxInt32, warmth: d.between(12, 70), neverReset: d.odds(0.08),
	}
	m.every = [5]float64{1, d.between(1.5, 4), 7, d.between(8, 16), d.between(18, 32)}[d.one(0.45, 0.27, 0.16, 0.08, 0.04)]
	if w.EveryDays > 0 {
		m.every, m.forced = w.EveryDays, true
	}
	if d.odds(0.1) {
		m.join = d.IntN(w.Days/2 + 1)
	}
	if d.odds(0.07) {
		m.leave = w.Days/3 + d.IntN(w.Days/2+1)
	}
	if d.odds(0.6) {
		m.worn = d.IntN(3500)
	}
	m.physics = m.model.physics.single(d)
	for _, g := range m.model.programs {
		g.off += 0.015 * d.NormFloat64()
		m.programs = append(m.programs, g)
	}
	m.first = firstState(m, newDice(key(m.key, forPair)))
	return m
}

// single is one machine of a model: every constant a little off.
func (p physics) single(d dice) physics {
	p.soft = min(0.75, p.soft*d.spread(0.03))
	for _, c := range []*float64{
		&p.lean, &p.byGap, &p.byBlunt, &p.bySilica, &p.byDensity, &p.byVapour, &p.byBody, &p.madeUp, &p.recede,
		&p.blunt, &p.deposit, &p.burnOff, &p.lumps, &p.dirty, &p.walk, &p.jump, &p.supply, &p.share, &p.pixel,
		&p.settle, &p.settleArcs,
	} {
		*c *= d.spread(0.15)
	}
	p.sensorOff = 3 * d.NormFloat64()
	return p
}

// firstState is how a machine is met: with a pair of some age, set about right for
// where it stands.
func firstState(m *machine, d dice) state {
	sky := newDice(key(m.land.key, 1))
	st := state{
		day: -1, siteSeen: -1, site: m.crew.sites[0], tempSeen: 15, lastTemp: 15, busy: 1,
		due: float64(m.join) + m.every*d.Float64(), program: d.IntN(len(m.programs)),
		weather: weather{sky.NormFloat64(), sky.NormFloat64(), sky.NormFloat64()},
		people:  standing{awayUntil: -1, pairs: 1, blade: d.Float64()},
	}
	st.pair = newPair(&m.physics, d)
	for left := m.worn; left > 0; left -= 50 {
		st.pair.burn(&m.physics, min(50, left), 1, d)
	}
	st.counter = st.pair.arcs
	if m.neverReset {
		st.counter += int64(d.IntN(20000))
	}
	air := m.land.climate.around(&m.land.sites[st.site], st.weather, 0, 9*3600, m.crew.heater)
	shift := m.physics.airHeat(air, air.TemperatureC) - m.physics.refHeat()
	for i := range st.setting {
		g := &m.programs[min(i, len(m.programs)-1)]
		s := required(&m.physics, &st.pair, g) - 100*shift + 0.7*d.NormFloat64()
		st.setting[i] = math.Round(10*max(-m.model.limit, min(m.model.limit, s))) / 10
	}
	return st
}

// about tells what was drawn.
func (f *fleet) about() []string {
	t := f.temper
	out := []string{
		fmt.Sprintf("wear ×%.2f, air ×%.2f, restlessness ×%.2f, %.0f arcs on a working day, care ×%.2f", t.wear, t.air, t.restless, t.rate, t.care),
		fmt.Sprintf("%d sites up to %.0f m, %d crews, UTC%+.0f, southern %t", len(f.land.sites), t.high, len(f.crews), f.land.climate.zone, f.land.climate.south),
		fmt.Sprintf("bench: %.1f days backlog, replaces at %d arcs (0 never), %d cleanings a pair", f.bench.backlog, f.bench.preventive, f.bench.cleanings),
	}
	for _, m := range f.models {
		p := &m.physics
		out = append(out, fmt.Sprintf(
			"%s: exponent %.1f, threshold %.2f, density %.2f made up %.2f, gap %.1f, blunt %.3f, silica %.3f, supply %.4f, jump %.0f of %.0f µm, limit %.0f %%, %d attempts, firmware %+v then %+v from day %d, %d programs, tolerance %.0f of %.0f µm",
			m.name, p.exponent(), p.soft, p.byDensity, p.madeUp, p.byGap, p.byBlunt, p.bySilica, p.supply, p.jump, p.width,
			m.limit, m.attempts, m.firmware[0], m.firmware[1], m.update, len(m.programs), m.programs[0].within, m.programs[0].target))
	}
	return out
}
