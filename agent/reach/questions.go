package reach

import (
	"context"
	"net/url"

	"arcdrift/agent/fleet"
	"arcdrift/agent/store"
	"arcdrift/agent/web"
	"arcdrift/drift/advise"
	"arcdrift/drift/compare"
	"arcdrift/drift/plan"
)

// Spares are the electrode pairs that each depot should hold.
func (l Location) Spares(ctx context.Context) (rows []advise.Spares, err error) {
	err = l.read(ctx, func(s store.Reader, _ Store) error {
		snapshot, err := fleet.At(s, l.Now())
		if err == nil {
			rows = snapshot.Spares(nil)
		}
		return err
	}, func(r *remote) error { return r.get(ctx, "/api/v1/spares", nil, &rows) })
	return rows, err
}

// Plan says which machine comes to the bench of its depot on which day.
func (l Location) Plan(ctx context.Context) (depots []plan.Report, err error) {
	err = l.read(ctx, func(s store.Reader, _ Store) error {
		snapshot, err := fleet.At(s, l.Now())
		if err != nil {
			return err
		}
		all := snapshot.Assessments()
		machines := make([]plan.Machine, len(all))
		for i := range all {
			about := snapshot.About(all[i].Machine)
			machines[i] = plan.Machine{Assessment: &all[i], Site: about.Site, Settings: &about.Settings, Move: about.Move}
		}
		depots = plan.Reports(plan.FleetOf(machines).Plan(l.Now()))
		return nil
	}, func(r *remote) error { return r.get(ctx, "/api/v1/plan", nil, &depots) })
	return depots, err
}

// Compare says which cleavers, lots, models, sites and machines do worse.
func (l Location) Compare(ctx context.Context) (report compare.Report, err error) {
	err = l.read(ctx, func(s store.Reader, _ Store) (err error) {
		report, err = fleet.Compare(ctx, s, l.Now())
		return err
	}, func(r *remote) error { return r.get(ctx, "/api/v1/compare", nil, &report) })
	return report, err
}

// Rules count, by site or by model, how the rules of the trade were kept.
func (l Location) Rules(ctx context.Context, by string) (rows []advise.KeptRow, err error) {
	err = l.read(ctx, func(s store.Reader, _ Store) error {
		now := l.Now()
		owed, err := fleet.Owed(s, web.RulesSince(now), now)
		rows = advise.KeptBy(by, owed)
		return err
	}, func(r *remote) error { return r.get(ctx, "/api/v1/rules", url.Values{"by": {by}}, &rows) })
	return rows, err
}
