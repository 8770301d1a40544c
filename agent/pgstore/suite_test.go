package pgstore_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/store/storetest"
)

func TestSuite(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Store { return open(t, url(t)) })
}

func TestDurableSuite(t *testing.T) {
	at := url(t)
	storetest.RunDurable(t, func() storetest.Durable {
		s, err := pgstore.Open(t.Context(), at, storetest.Received, pgstore.Options{})
		require.NoError(t, err)
		return s
	})
}
