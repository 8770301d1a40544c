package storetest_test

import (
	"testing"

	"arcdrift/agent/store/storetest"
)

func TestMemory(t *testing.T) {
	storetest.Run(t, func(*testing.T) storetest.Store { return &storetest.Memory{} })
}
