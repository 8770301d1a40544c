package pgstore

import (
	"context"
	"crypto/rand"
	"embed"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"runtime"
	"strconv"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"arcdrift/agent/store"
)

//go:embed migrations/*.sql
var files embed.FS

// Options of Open. The zero value is right for one process of a hub.
type Options struct {
	// Slots is into how many shares a new database divides the machines, at most 4096;
	// 0 is 64. A process takes the lease of whole slots, so there must be more of them
	// than processes. It cannot be changed later.
	Slots int
	// Connections bounds the pool; 0 is four for each processor, at least eight.
	Connections int
	// Statement is how long one statement, or waiting for a lock, may take; 0 is 30 s.
	Statement time.Duration
	// Connect is how long a connection may take to come up; 0 is 5 s.
	Connect time.Duration
	// Adopting opens also a database into which moving a file did not end, for [Store.Adopt].
	Adopting bool

	flushEach bool // the address says how a commit waits: each does
}

// Store is an open store. Its methods may be called from several goroutines at once.
type Store struct {
	pool    *pgxpool.Pool
	now     func() time.Time
	options Options
	name    string
	slots   int
	numbers *numbers
	leases  map[int]Lease // see Under; nil for a store that needs none
	scope   int           // the slot of decisions and outbox
}

// Open opens the store in the database at url, after it has brought the tables up to this
// version. ctx bounds the opening only. now is the wall clock. The error is
// [store.ErrNewer], an [*AwayError], or the database's.
func Open(ctx context.Context, url string, now func() time.Time, options Options) (*Store, error) {
	if err := migrate(ctx, url, options); err != nil {
		return nil, away(err)
	}
	pool, options, err := connect(ctx, url, options)
	if err != nil {
		return nil, err
	}
	s := &Store{pool: pool, now: now, options: options, numbers: &numbers{}, scope: Whole}
	if err := s.prepare(ctx); err != nil {
		pool.Close()
		return nil, away(err)
	}
	return s, nil
}

func connect(ctx context.Context, url string, o Options) (*pgxpool.Pool, Options, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		// The library's error repeats the address, with its password.
		return nil, o, errors.New("the address of the database is not valid: write postgres://USER@HOST:PORT/NAME")
	}
	set := func(is *time.Duration, otherwise time.Duration) {
		if *is == 0 {
			*is = otherwise
		}
	}
	set(&o.Statement, 30*time.Second)
	set(&o.Connect, 5*time.Second)
	if o.Slots == 0 {
		o.Slots = 64
	}
	if o.Connections == 0 {
		o.Connections = max(8, 4*runtime.GOMAXPROCS(0))
	}
	_, o.flushEach = config.ConnConfig.RuntimeParams["synchronous_commit"]
	config.MaxConns = int32(o.Connections)
	config.ConnConfig.ConnectTimeout = o.Connect
	milliseconds := strconv.FormatInt(max(0, o.Statement.Milliseconds()), 10) // 0 is no bound
	for name, value := range map[string]string{
		"application_name":   "arcdrift-hub",
		"statement_timeout":  milliseconds,
		"lock_timeout":       milliseconds,
		"synchronous_commit": "on",
		// A process that is paused in a transaction must not hold a slot for ever.
		"idle_in_transaction_session_timeout": milliseconds,
		// Every statement finds its rows by an index, so one plan is right for all
		// values. A plan from when a table was empty would read all of it, or all of a slot:
		// where it could take another index, the statement has an "offset 0".
		"plan_cache_mode": "force_generic_plan", "enable_seqscan": "off", "jit": "off",
	} {
		if _, given := config.ConnConfig.RuntimeParams[name]; !given {
			config.ConnConfig.RuntimeParams[name] = value
		}
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	return pool, o, err
}

// migrate brings the tables up to this version; processes that start at once wait for
// each other.
func migrate(ctx context.Context, url string, options Options) error {
	p, end, err := provider(ctx, url, options)
	if err != nil {
		return err
	}
	defer end()
	is, should, err := p.GetVersions(ctx)
	switch {
	case err != nil:
		return err
	case is > should:
		return fmt.Errorf("%w (the tables have version %d, this program knows %d)", store.ErrNewer, is, should)
	case is == should:
		return nil
	}
	_, err = p.Up(ctx)
	return err
}

// MigrateBack takes the last migration back: the way to an earlier version of the program
// that refuses the tables. Everything that only this version keeps is lost, and from
// version 1 on everything; so make a backup first. No process may have the store open: while
// one has, nothing is done.
func MigrateBack(ctx context.Context, url string) error {
	pool, _, err := connect(ctx, url, Options{})
	if err != nil {
		return err
	}
	err = unused(ctx, pool)
	pool.Close()
	var state *pgconn.PgError
	if err != nil && !(errors.As(err, &state) && state.Code == noSuchTable) { // of version 1
		return away(err)
	}
	p, end, err := provider(ctx, url, Options{})
	if err != nil {
		return err
	}
	defer end()
	_, err = p.Down(ctx)
	return away(err)
}

// noSuchTable is the code of PostgreSQL's appendix A.
const noSuchTable = "42P01"

// provider has a pool of its own: a statement of a migration may take as long as it needs.
func provider(ctx context.Context, url string, options Options) (p *goose.Provider, end func(), err error) {
	options.Statement = -1
	pool, _, err := connect(ctx, url, options)
	if err != nil {
		return nil, nil, err
	}
	db := stdlib.OpenDBFromPool(pool)
	end = func() {
		_ = db.Close() // nothing is open any more
		pool.Close()
	}
	defer func() {
		if err != nil {
			end()
		}
	}()
	scripts, err := fs.Sub(files, "migrations")
	if err != nil {
		return nil, nil, err
	}
	locker, err := lock.NewPostgresSessionLocker()
	if err != nil {
		return nil, nil, err
	}
	p, err = goose.NewProvider(goose.DialectPostgres, db, scripts, goose.WithSessionLocker(locker))
	return p, end, err
}

// prepare fills the tables of a new store, and reads what never changes.
func (s *Store) prepare(ctx context.Context) error {
	if _, err := s.pool.Exec(ctx, `insert into meta (name, slots) values ($1, $2) on conflict do nothing`, rand.Text(), s.options.Slots); err != nil {
		return err
	}
	var adopting bool
	if err := s.pool.QueryRow(ctx, `select name, slots, adopting from meta`).Scan(&s.name, &s.slots, &adopting); err != nil {
		return err
	}
	if adopting && !s.options.Adopting {
		return errAdopting
	}
	var ready int
	if err := s.pool.QueryRow(ctx, `select count(*) from lease where slot >= 0`).Scan(&ready); err != nil {
		return err
	}
	for slot := ready; slot < s.slots; slot++ { // one slot in one transaction
		if _, err := s.pool.Exec(ctx, `insert into slots (slot, epoch, seq, generation) values ($1, 1, 0, (select max(generation) from generations)) on conflict do nothing`, slot); err != nil {
			return err
		}
		if _, err := s.pool.Exec(ctx, `insert into lease (slot) values ($1) on conflict do nothing`, slot); err != nil {
			return err
		}
	}
	if _, err := s.pool.Exec(ctx, `insert into lease (slot) values ($1) on conflict do nothing`, Whole); err != nil {
		return err
	}
	at, err := s.newest(ctx)
	s.saw(at)
	return err
}

// Close ends the connections. Methods that run meanwhile fail.
func (s *Store) Close() error {
	s.pool.Close()
	return nil
}

// Name is what the store was called when it was made. It stays with the database and its
// copies.
func (s *Store) Name() string { return s.name }

// Slots is into how many shares the machines are divided, numbered from 0.
func (s *Store) Slots() int { return s.slots }

// Slot is the share of a machine: FNV-1a of its name, 32 bits, modulo the number of
// slots. "" stands for setups of several machines.
func (s *Store) Slot(machine string) int {
	h := fnv.New32a()
	_, _ = h.Write([]byte(machine)) // a hash takes all
	return int(h.Sum32() % uint32(s.slots))
}

// Pool describes the use of connections, for the metrics.
type Pool struct {
	// InUse connections of at most Limit are held, Idle ones wait for use.
	InUse, Idle, Limit int
	// Waited counts the calls that had to wait for a connection, and Waiting is how
	// long all of them did.
	Waited  int64
	Waiting time.Duration
}

// Pool returns it.
func (s *Store) Pool() Pool {
	is := s.pool.Stat()
	return Pool{InUse: int(is.AcquiredConns()), Idle: int(is.IdleConns()), Limit: int(is.MaxConns()),
		Waited: is.EmptyAcquireCount(), Waiting: is.EmptyAcquireWaitTime()}
}

// Ready returns nil when the database answers.
func (s *Store) Ready(ctx context.Context) error { return away(s.pool.Ping(ctx)) }

// bounded is a context for one call. The database ends a statement that takes too long;
// this ends one whose database does not answer at all.
func (s *Store) bounded() (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.Background(), s.options.Statement+s.options.Connect)
}

// place is the store's number of an entry.
type place struct{ epoch, seq uint64 }

func (p place) before(other place) bool {
	return p.epoch < other.epoch || p.epoch == other.epoch && p.seq < other.seq
}

// numbers is a logical clock (Lamport 1978) that ticks for every entry. A tick is above all
// that its process has given or seen, and above the last of its slot. The number of an
// entry is the tick times the number of slots, plus the slot.
type numbers struct {
	mu sync.Mutex
	at place // seq counts ticks
}

// reserve returns the tick before the next n, which are the caller's.
func (c *numbers) reserve(n int) place {
	c.mu.Lock()
	defer c.mu.Unlock()
	before := c.at
	c.at.seq += uint64(n)
	return before
}

// saw notes a number that is in use.
func (s *Store) saw(number place) {
	tick := place{number.epoch, number.seq / uint64(s.slots)}
	s.numbers.mu.Lock()
	defer s.numbers.mu.Unlock()
	if s.numbers.at.before(tick) {
		s.numbers.at = tick
	}
}

// inOne runs f in one transaction.
func (s *Store) inOne(ctx context.Context, f func(pgx.Tx) error) error {
	return away(pgx.BeginFunc(ctx, s.pool, f))
}
