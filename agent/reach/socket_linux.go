package reach

import (
	"fmt"
	"net"
	"os"
	"syscall"
)

// ours says why whoever is at the other end is neither the user that this
// process runs as nor root, as the system knows it (SO_PEERCRED, unix(7)).
func ours(conn *net.UnixConn) error {
	raw, err := conn.SyscallConn()
	if err != nil {
		return err
	}
	var peer *syscall.Ucred
	var asked error
	err = raw.Control(func(fd uintptr) {
		peer, asked = syscall.GetsockoptUcred(int(fd), syscall.SOL_SOCKET, syscall.SO_PEERCRED)
	})
	switch {
	case err != nil:
		return err
	case asked != nil:
		return asked
	case peer.Uid != 0 && int(peer.Uid) != os.Geteuid():
		return fmt.Errorf("process %d of user %d is neither the agent's user nor root", peer.Pid, peer.Uid)
	}
	return nil
}
