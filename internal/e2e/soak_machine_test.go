package e2e_test

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// A daemon is a program that is started again when it ends by itself, as a service manager would.
type daemon struct {
	name    string
	command func() *exec.Cmd // a new one for each start
	log     string           // path of what it prints

	mu     sync.Mutex
	wanted bool
	cmd    *exec.Cmd
	gone   chan struct{} // closed when it has ended and is not started again
	starts int
	ended  []string // by itself, and what it said last
}

// up starts it.
func (d *daemon) up() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.wanted {
		return
	}
	d.wanted = true
	d.gone = make(chan struct{})
	d.cmd = d.start()
	go d.manage(d.gone)
}

// start with mu held.
func (d *daemon) start() *exec.Cmd {
	out, err := os.OpenFile(d.log, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		d.ended = append(d.ended, err.Error())
		return nil
	}
	defer out.Close() // the program has its own
	d.starts++
	fmt.Fprintf(out, "--- start %d at %s\n", d.starts, time.Now().UTC().Format(time.RFC3339Nano))
	cmd := d.command()
	cmd.Stdout, cmd.Stderr = out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		d.ended = append(d.ended, err.Error())
		return nil
	}
	return cmd
}

const restartAfter = time.Second

func (d *daemon) manage(gone chan struct{}) {
	defer close(gone)
	for {
		d.mu.Lock()
		cmd := d.cmd
		d.mu.Unlock()
		var err error
		if cmd != nil {
			err = cmd.Wait()
		}
		d.mu.Lock()
		if !d.wanted {
			d.mu.Unlock()
			return
		}
		if cmd != nil {
			d.ended = append(d.ended, fmt.Sprintf("%v: %s", err, tail(d.said(), 1)))
		}
		d.mu.Unlock()
		<-time.After(restartAfter)
		d.mu.Lock()
		if !d.wanted {
			d.mu.Unlock()
			return
		}
		d.cmd = d.start()
		d.mu.Unlock()
	}
}

func (d *daemon) said() string {
	text, err := os.ReadFile(d.log)
	if err != nil {
		return err.Error()
	}
	return string(text)
}

func (d *daemon) signal(s syscall.Signal) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.wanted && d.cmd != nil {
		_ = d.cmd.Process.Signal(s) // it may just have ended
	}
}

// kill ends it at once, as kill -9 does.
func (d *daemon) kill() { d.down(syscall.SIGKILL) }

// down sends a signal that ends it, and waits until it has.
func (d *daemon) down(s syscall.Signal) {
	if gone := d.shoot(s); gone != nil {
		<-gone
	}
}

// shoot does not wait.
func (d *daemon) shoot(s syscall.Signal) (gone <-chan struct{}) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.wanted {
		return nil
	}
	d.wanted = false
	if d.cmd != nil {
		_ = d.cmd.Process.Signal(s)
		_ = d.cmd.Process.Signal(syscall.SIGCONT) // it may be frozen
	}
	return d.gone
}

// stop ends it as a service manager would; false: it did not end in order.
func (d *daemon) stop() error {
	gone := d.shoot(syscall.SIGTERM)
	if gone == nil {
		return nil
	}
	select {
	case <-gone:
	case <-time.After(20 * time.Second):
		_ = d.cmd.Process.Kill()
		<-gone
		return fmt.Errorf("%s did not end within 20 s of SIGTERM", d.name)
	}
	if d.cmd != nil && !d.cmd.ProcessState.Success() {
		return fmt.Errorf("%s did not end cleanly on SIGTERM: %v", d.name, d.cmd.ProcessState)
	}
	return nil
}

// A machine is a computer in the field, or the server's: one program, a disk, a power switch. Where the test may not mount
// anything its disk is a folder, and the power cannot be cut nor the disk be filled.
type machine struct {
	name    string
	dir     string // that the disk is mounted on
	real    bool   // it is a disk
	program *daemon

	at    sync.Mutex // held by whoever kills, freezes or cuts
	image string
	cuts  int
	boot  string // path of the id of its start
}

// mayMount tells whether disks can be mounted here; else why not.
func mayMount() (why string) {
	if os.Getuid() != 0 {
		return "not root"
	}
	for _, tool := range []string{"mkfs.ext4", "mount", "umount", "unshare", "cp"} {
		if _, err := exec.LookPath(tool); err != nil {
			return tool + " is not installed"
		}
	}
	dir, err := os.MkdirTemp("", "gritwatch-mount-")
	if err != nil {
		return err.Error()
	}
	defer os.RemoveAll(dir)
	img := filepath.Join(dir, "image")
	if err := errors.Join(os.WriteFile(img, nil, 0o600), os.Truncate(img, 8<<20)); err != nil {
		return err.Error()
	}
	if err := tool("mkfs.ext4", "-q", img); err != nil {
		return err.Error()
	}
	at := filepath.Join(dir, "disk")
	if err := os.Mkdir(at, 0o700); err != nil {
		return err.Error()
	}
	if err := tool("mount", "-o", "loop", img, at); err != nil {
		return err.Error()
	}
	err = shutdown(at)
	if err := errors.Join(err, tool("umount", at)); err != nil {
		return err.Error()
	}
	return ""
}

// tool runs a program of the system.
func tool(name string, args ...string) error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if out, err := exec.CommandContext(ctx, name, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, out)
	}
	return nil
}

// shutdown stops a file system as a cut of the power does: from this moment on nothing reaches its disk any more, neither
// data nor the file system's own log (FS_IOC_SHUTDOWN with NOLOGFLUSH, include/uapi/linux/fs.h and fs/ext4/ext4.h).
func shutdown(mounted string) error {
	const request, noLogFlush = 0x8004587d, uint32(2)
	f, err := os.Open(mounted)
	if err != nil {
		return err
	}
	defer f.Close()
	flags := noLogFlush
	if _, _, e := syscall.Syscall(syscall.SYS_IOCTL, f.Fd(), request, uintptr(unsafe.Pointer(&flags))); e != 0 {
		return fmt.Errorf("shut the file system of %s down: %w", mounted, e)
	}
	return nil
}

// sharedMounts is a folder in which mounts come and go for the programs' own views of the machine too.
func sharedMounts(t testing.TB, dir string) {
	t.Helper()
	if err := errors.Join(os.Mkdir(dir, 0o755), tool("mount", "--bind", dir, dir), tool("mount", "--make-shared", dir)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := tool("umount", dir); err != nil {
			t.Error(err)
		}
	})
}

// newMachine has a disk of so many bytes, if it may be a real one.
func newMachine(t testing.TB, dir, name string, size int64, real bool) *machine {
	t.Helper()
	m := &machine{name: name, dir: filepath.Join(dir, name), real: real, boot: filepath.Join(dir, name+".boot")}
	if err := os.Mkdir(m.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	m.newBoot(t)
	if !real {
		return m
	}
	m.image = filepath.Join(dir, name+".0.image")
	if err := errors.Join(os.WriteFile(m.image, nil, 0o600), os.Truncate(m.image, size), tool("mkfs.ext4", "-q", "-m", "0", m.image), m.mount()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := tool("umount", m.dir); err != nil {
			t.Error(err)
		}
	})
	return m
}

func (m *machine) mount() error { return tool("mount", "-o", "loop", m.image, m.dir) }

// newBoot gives the machine the id of another start.
func (m *machine) newBoot(t testing.TB) {
	var b [16]byte
	rand.Read(b[:])
	if err := os.WriteFile(m.boot, fmt.Appendf(nil, "%x-%x-%x-%x-%x\n", b[:4], b[4:6], b[6:8], b[8:10], b[10:]), 0o644); err != nil {
		t.Error(err)
	}
}

// own has a command run on the machine: it sees the machine's own id of its start.
func (m *machine) own(name string, args ...string) *exec.Cmd {
	if !m.real {
		return exec.Command(name, args...)
	}
	const script = `mount --bind "$0" /proc/sys/kernel/random/boot_id && exec "$@"`
	return exec.Command("unshare", append([]string{"-m", "--propagation", "slave", "sh", "-c", script, m.boot, name}, args...)...)
}

// cut cuts the power; restore mounts what is on the disk then.
func (m *machine) cut() error {
	gone := m.program.shoot(syscall.SIGKILL)
	err := shutdown(m.dir)
	if gone != nil {
		<-gone
	}
	return err
}

func (m *machine) restore(t testing.TB) error {
	m.cuts++
	next := regexp.MustCompile(`\d+\.image$`).ReplaceAllString(m.image, fmt.Sprintf("%d.image", m.cuts))
	if err := tool("cp", "--sparse=always", m.image, next); err != nil {
		return err
	}
	// Whoever looked at it in this moment must have let it go.
	var err error
	for range 50 {
		if err = tool("umount", m.dir); err == nil {
			break
		}
		<-time.After(100 * time.Millisecond)
	}
	if err != nil {
		return err
	}
	err = os.Remove(m.image)
	m.image = next
	m.newBoot(t)
	return errors.Join(err, m.mount())
}

const fillName = "filled-by-the-soak"

// fill leaves so many bytes free at most.
func (m *machine) fill(leave int64) error {
	f, err := os.OpenFile(filepath.Join(m.dir, fillName), os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	size := int64(0)
	for part := int64(64 << 20); part >= 4096; {
		var st unix.Statfs_t
		if err := unix.Fstatfs(int(f.Fd()), &st); err != nil {
			return err
		}
		free := int64(st.Bavail)*st.Bsize - leave
		if free <= 0 {
			return nil
		}
		part = min(part, max(4096, free))
		if err := unix.Fallocate(int(f.Fd()), 0, size, part); err != nil {
			part /= 2
			continue
		}
		size += part
	}
	if leave > 0 {
		return nil
	}
	// What is left of the last blocks.
	block := make([]byte, 4096)
	for range 1000 {
		if _, err := f.WriteAt(block, size); err != nil {
			return nil // full
		}
		size += int64(len(block))
	}
	return nil
}

func (m *machine) free() error {
	err := os.Remove(filepath.Join(m.dir, fillName))
	if errors.Is(err, os.ErrNotExist) {
		return nil // a cut took it away
	}
	return err
}

// run runs a command of a program that ends by itself, and gives what it writes.
func run(name string, args ...string) (stdout []byte, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	var errs output
	cmd.Stderr = io.Writer(&errs)
	stdout, err = cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w: %s", filepath.Base(name), strings.Join(args, " "), err, errs.String())
	}
	return stdout, nil
}
