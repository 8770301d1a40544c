package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

func TestMain(m *testing.M) {
	if os.Getenv("TEST_OF_MAIN") != "" {
		main()
	}
	os.Exit(m.Run())
}

// What does not look for the first interruption ends with the second. Before, a command
// that hung in a call of the system was ended by kill -9 alone.
func TestTheSecondInterruptionEndsAnything(t *testing.T) {
	db, pipe := filepath.Join(t.TempDir(), "arcdrift.db"), filepath.Join(t.TempDir(), "pipe.jsonl")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0], "import", "--db", db, pipe)
	cmd.Env = append(os.Environ(), "TEST_OF_MAIN=1")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	var in *os.File
	for deadline := time.Now().Add(10 * time.Minute); ; {
		if in == nil { // until the command reads it: then it waits for what never comes
			if f, err := os.OpenFile(pipe, os.O_WRONLY|syscall.O_NONBLOCK, 0); err == nil {
				in = f
				defer f.Close()
			}
		} else {
			_ = cmd.Process.Signal(syscall.SIGINT) // it may have ended
		}
		select {
		case err := <-ended:
			if err == nil || in == nil {
				t.Fatal("it did not wait", err)
			}
			return
		case <-time.After(50 * time.Millisecond):
			if time.Now().After(deadline) {
				_ = cmd.Process.Kill()
				t.Fatal("it goes on")
			}
		}
	}
}
