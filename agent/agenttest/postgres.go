package agenttest

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// Postgres is a real PostgreSQL server, from its Debian package, on a free port of this
// computer.
type Postgres struct {
	Port string

	dir    string
	as     *syscall.Credential // it refuses to run as root
	end    *os.File            // when it is closed, as by the end of this process, the server stops
	ended  chan struct{}       // closed when it has
	number atomic.Int64        // of the last database
}

// NewPostgres makes a server below a directory and starts it. Settings are as
// fsync=off. Stop ends it and removes everything.
func NewPostgres(settings ...string) (*Postgres, error) {
	p, err := newPostgres()
	if err != nil {
		return nil, err
	}
	if err := p.run("initdb", "-D", p.data(), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync"); err != nil {
		return nil, err
	}
	return p, errors.Join(p.set(settings...), p.Start())
}

func newPostgres() (*Postgres, error) {
	dir, err := os.MkdirTemp("", "postgres")
	if err != nil {
		return nil, err
	}
	p := &Postgres{dir: dir}
	if os.Getuid() == 0 {
		owner, err := user.Lookup("postgres")
		if err != nil {
			return nil, err
		}
		uid, _ := strconv.Atoi(owner.Uid) // Linux has numbers
		gid, _ := strconv.Atoi(owner.Gid)
		p.as = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
		if err := os.Chown(dir, uid, gid); err != nil {
			return nil, err
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	_, p.Port, err = net.SplitHostPort(l.Addr().String())
	return p, errors.Join(err, l.Close())
}

func (p *Postgres) data() string { return filepath.Join(p.dir, "data") }

// program is one of the server's programs; Debian keeps them out of the path.
func program(name string) (string, error) {
	all, err := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
	if err != nil || len(all) == 0 {
		return "", fmt.Errorf("%s has to be installed, from Debian's postgresql (%w)", name, err)
	}
	slices.Sort(all)
	return all[len(all)-1], nil
}

func (p *Postgres) run(name string, args ...string) error {
	path, err := program(name)
	if err != nil {
		return err
	}
	cmd := exec.Command(path, args...)
	cmd.Dir, cmd.SysProcAttr = p.dir, &syscall.SysProcAttr{Credential: p.as}
	out, err := cmd.CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s: %w: %s", name, err, out)
	}
	return nil
}

// set adds settings, which count from the next start on.
func (p *Postgres) set(settings ...string) error {
	own := []string{"port=" + p.Port, "listen_addresses='127.0.0.1'", "unix_socket_directories=''", "max_connections=200",
		"shared_buffers='64MB'", "max_wal_size='2GB'", "log_min_messages=warning", "recovery_init_sync_method=syncfs"}
	f, err := os.OpenFile(filepath.Join(p.data(), "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.WriteString("\n" + strings.Join(append(own, settings...), "\n") + "\n")
	return errors.Join(err, f.Close())
}

// Start starts the server and waits until it answers. It tries again if the server ends at
// once, as it does while a process of a killed one is still going.
func (p *Postgres) Start() error {
	err := p.begin()
	for end := time.Now().Add(2 * time.Minute); err == nil && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		select {
		case <-p.ended:
			err = errors.Join(p.end.Close(), p.begin())
		default:
			if p.answers() == nil {
				return nil
			}
		}
	}
	text, _ := os.ReadFile(filepath.Join(p.dir, "log"))
	return errors.Join(err, fmt.Errorf("the server does not answer: %s", text))
}

func (p *Postgres) begin() error {
	path, err := program("postgres")
	if err != nil {
		return err
	}
	r, w, err := os.Pipe()
	if err != nil {
		return err
	}
	defer r.Close()
	log, err := os.OpenFile(filepath.Join(p.dir, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	defer log.Close()
	runs := exec.Command("sh", "-c", `exec 3<&0; "$0" -D "$1" <&- 3<&- & pid=$!; { read -r _ <&3; kill -QUIT $pid 2>&-; } & wait $pid`, path, p.data())
	runs.Dir, runs.Stdin, runs.Stdout, runs.Stderr = p.dir, r, log, log
	runs.SysProcAttr = &syscall.SysProcAttr{Credential: p.as}
	if err := runs.Start(); err != nil {
		return err
	}
	p.end, p.ended = w, make(chan struct{})
	go func(ended chan struct{}) {
		_ = runs.Wait() // it was killed, and says so
		close(ended)
	}(p.ended)
	return nil
}

func (p *Postgres) answers() error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	return p.Do(ctx, "postgres", "select 1")
}

// writes returns nil when a promoted standby has become the primary.
func (p *Postgres) writes() error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	return p.Do(ctx, "postgres", "create temporary table t (a integer)")
}

// Do runs statements in a database of the server.
func (p *Postgres) Do(ctx context.Context, database string, statements ...string) error {
	conn, err := pgx.Connect(ctx, p.URL(database))
	if err != nil {
		return err
	}
	for _, sql := range statements {
		if err == nil {
			_, err = conn.Exec(ctx, sql)
		}
	}
	return errors.Join(err, conn.Close(ctx))
}

// URL is the address of a database of the server.
func (p *Postgres) URL(database string) string {
	return "postgres://postgres@127.0.0.1:" + p.Port + "/" + database + "?sslmode=disable"
}

// Database makes a database, a copy of another one, that is dropped at the test's end, and
// returns its name.
func (p *Postgres) Database(t testing.TB, template string) string {
	t.Helper()
	name := fmt.Sprintf("test_%d", p.number.Add(1))
	require.NoError(t, p.Do(context.Background(), "postgres", fmt.Sprintf("create database %s template %s", name, template)))
	t.Cleanup(func() {
		if p.answers() == nil {
			require.NoError(t, p.Do(context.Background(), "postgres", "drop database "+name+" with (force)"))
		}
	})
	return name
}

// pids are the processes of the server, the first one first. It is stopped meanwhile, so
// that it begins no other.
func (p *Postgres) pids() ([]int, error) {
	raw, err := os.ReadFile(filepath.Join(p.data(), "postmaster.pid"))
	if err != nil {
		return nil, err
	}
	first, _, _ := strings.Cut(string(raw), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil {
		return nil, err
	}
	if err := syscall.Kill(pid, syscall.SIGSTOP); err != nil {
		return nil, err
	}
	all := []int{pid}
	children, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	for child := range strings.FieldsSeq(string(children)) {
		n, _ := strconv.Atoi(child) // the kernel writes numbers
		all = append(all, n)
	}
	return all, err
}

// Pause stops all processes of the server; Resume lets them go on.
func (p *Postgres) Pause() error  { return p.signal(syscall.SIGSTOP) }
func (p *Postgres) Resume() error { return p.signal(syscall.SIGCONT) }

func (p *Postgres) signal(signal syscall.Signal) error {
	all, err := p.pids()
	for _, pid := range all {
		if killed := syscall.Kill(pid, signal); killed != nil && !errors.Is(killed, syscall.ESRCH) {
			err = errors.Join(err, killed)
		}
	}
	return err
}

// Kill kills all processes of the server at once, and waits until they are gone: a crash
// of its computer, but for the disk's cache.
func (p *Postgres) Kill() error {
	all, err := p.pids()
	for _, pid := range all {
		if killed := syscall.Kill(pid, syscall.SIGKILL); killed != nil && !errors.Is(killed, syscall.ESRCH) {
			err = errors.Join(err, killed)
		}
	}
	err = errors.Join(err, p.wait())
	for _, pid := range all {
		for alive(pid) {
			time.Sleep(time.Millisecond)
		}
	}
	return err
}

// alive says whether a process runs: one that nobody has waited for yet has no command
// line.
func alive(pid int) bool {
	command, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid))
	return err == nil && len(command) > 0
}

func (p *Postgres) wait() error {
	err := p.end.Close()
	<-p.ended
	return err
}

// Stop ends the server and removes its directory.
func (p *Postgres) Stop() error {
	select {
	case <-p.ended:
	default:
		if err := p.wait(); err != nil {
			return err
		}
	}
	return os.RemoveAll(p.dir)
}

// Standby starts a copy of the server that follows it under a name.
func (p *Postgres) Standby(name string) (*Postgres, error) {
	s, err := newPostgres()
	if err != nil {
		return nil, err
	}
	source := fmt.Sprintf("host=127.0.0.1 port=%s user=postgres application_name=%s", p.Port, name)
	if err := s.run("pg_basebackup", "-D", s.data(), "-R", "-X", "stream", "-c", "fast", "--no-sync", "-d", source); err != nil {
		return nil, err
	}
	return s, errors.Join(s.set(), s.Start())
}

// Promote makes a standby the primary, and waits until it is.
func (p *Postgres) Promote() error {
	err := p.run("pg_ctl", "promote", "-D", p.data(), "--no-wait")
	for end := time.Now().Add(2 * time.Minute); err == nil && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if p.writes() == nil {
			return nil
		}
	}
	return errors.Join(err, errors.New("the standby does not become the primary"))
}
