package app

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// ErrHeld says that another running agent has the journal.
var ErrHeld = errors.New("in use by another running agent")

// hold makes the journal's folder and locks it against another agent, as long as the file stays open. The kernel
// gives the lock back when the process ends, however that happens.
func hold(dir string) (*os.File, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("journal %s: %w; name another folder, or make this one writable", dir, err)
	}
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w; name another folder, or make this one writable", dir, err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		who, _ := io.ReadAll(io.LimitReader(f, 64)) // only to be helpful
		err = fmt.Errorf("journal %s is %w (process %s); end that one, or give each agent a folder of its own",
			dir, ErrHeld, strings.TrimSpace(string(who)))
	} else if err != nil {
		err = fmt.Errorf("journal %s cannot be locked: %w; name a folder on a local disk", dir, err)
	} else if f.Truncate(0) == nil {
		_, _ = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0) // only to be helpful, and the disk may be full
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}
