package pgstore_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/store/storetest"
)

// server is the one that most tests share, each with a database of its own; template is
// an empty store there.
var server *agenttest.Postgres

const template = "empty"

func TestMain(m *testing.M) {
	if len(os.Args) == 3 && !strings.HasPrefix(os.Args[1], "-") {
		os.Exit(child(os.Args[1], os.Args[2]))
	}
	code, err := run(m)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

func run(m *testing.M) (code int, err error) {
	if server, err = agenttest.NewPostgres(); err != nil {
		return 1, err
	}
	code, err = 1, empty()
	if err == nil {
		code = m.Run()
	}
	if err := errors.Join(err, server.Stop()); err != nil || code != 0 {
		return code, err
	}
	return code, goleak.Find()
}

// empty makes the template.
func empty() error {
	ctx := context.Background()
	if err := server.Do(ctx, "postgres", "create database "+template); err != nil {
		return err
	}
	s, err := pgstore.Open(ctx, server.URL(template), time.Now, pgstore.Options{})
	if err != nil {
		return err
	}
	return s.Close()
}

// url is the address of an empty store of the test's own.
func url(t testing.TB) string { return server.URL(server.Database(t, template)) }

// open opens the store at a url and closes it at the test's end.
func open(t testing.TB, url string) *pgstore.Store {
	t.Helper()
	s, err := pgstore.Open(t.Context(), url, storetest.Received, pgstore.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}
