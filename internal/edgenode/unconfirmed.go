package edgenode

import (
	"crypto/tls"
	"net"
	"syscall"

	"golang.org/x/sys/unix"
)

// unconfirmed is how many bytes a TCP connection still holds, sent or not, that its other end has not acknowledged; 0 for
// connections of which that cannot be told.
func unconfirmed(conn net.Conn) int {
	if t, ok := conn.(*tls.Conn); ok {
		conn = t.NetConn()
	}
	c, ok := conn.(syscall.Conn)
	if !ok {
		return 0
	}
	raw, err := c.SyscallConn()
	if err != nil {
		return 0
	}
	n := 0
	if err := raw.Control(func(fd uintptr) {
		if v, err := unix.IoctlGetInt(int(fd), unix.SIOCOUTQ); err == nil {
			n = v
		}
	}); err != nil {
		return 0 // closed
	}
	return n
}
