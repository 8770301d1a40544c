package pgstore_test

import (
	"context"
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
	defer func() {
		if stopped := server.Stop(); err == nil {
			err = stopped
		}
	}()
	ctx := context.Background()
	if err := server.Do(ctx, "postgres", "create database "+template); err != nil {
		return 1, err
	}
	s, err := pgstore.Open(ctx, server.URL(template), time.Now, pgstore.Options{})
	if err != nil {
		return 1, err
	}
	if err := s.Close(); err != nil {
		return 1, err
	}
	if code = m.Run(); code == 0 {
		err = goleak.Find()
	}
	return code, err
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
