//go:build !linux

package reach

import "net"

// ours asks nothing where the system does not say who is at the other end: the
// socket's file is for its owner only.
func ours(*net.UnixConn) error { return nil }
