package access

import (
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"

	"golang.org/x/crypto/bcrypt"

	"gritwatch/internal/yamlfile"
)

// Costs of hashes: those under the first are guessed fast if the password is a person's, one over the other takes the broker
// seconds for each connection.
const (
	goodCost = bcrypt.DefaultCost
	maxCost  = 13
)

// maxUsers bounds a users' file.
const maxUsers = 10000

var namePattern = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// A User is a line of the users' file: "agent quay-1 $2a$10$…".
type User struct {
	Kind Kind   // Agent or Observer
	Name string // of an agent: its own
	Hash string // of the password, bcrypt
}

// Users are those of a file.
type Users struct {
	byName map[string]User
	dummy  string // a hash that nobody's password has, so that an unknown name takes as long as a known one
}

// Parse reads the text of a users' file: a line each, empty ones and comments behind # left out. name stands in front of its
// errors, which are *yamlfile.Error.
func Parse(name string, text []byte) (Users, error) {
	u := Users{byName: map[string]User{}, dummy: dummyHash}
	var bad yamlfile.Error
	for i, line := range strings.Split(string(text), "\n") {
		fields := strings.Fields(line)
		if len(fields) == 0 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		user, err := parseLine(fields)
		switch _, twice := u.byName[user.Name]; {
		case err == nil && twice:
			err = fmt.Errorf("user %s stands here a second time; take one of the lines out", user.Name)
		case err == nil && len(u.byName) >= maxUsers:
			err = fmt.Errorf("more than %d users", maxUsers)
		}
		if err != nil {
			if len(bad.Problems) < yamlfile.MaxProblems {
				bad.Problems = append(bad.Problems, yamlfile.Problem{File: name, Line: i + 1, Text: err.Error()})
			} else {
				bad.More++
			}
			continue
		}
		u.byName[user.Name] = user
	}
	if len(bad.Problems) > 0 {
		return Users{}, &bad
	}
	return u, nil
}

func parseLine(fields []string) (User, error) {
	const hint = "write a kind, a name and the hash of a password; gritwatch-server agent add makes such a line"
	if len(fields) != 3 {
		return User{}, fmt.Errorf("is not a user; %s", hint)
	}
	u := User{Name: fields[1], Hash: fields[2]}
	switch fields[0] {
	case "agent":
		u.Kind = Agent
	case "observer":
		u.Kind = Observer
	default:
		return User{}, fmt.Errorf("%q is not a kind of user; kinds: agent, observer", fields[0])
	}
	if !namePattern.MatchString(u.Name) {
		return User{}, fmt.Errorf("%q is not a name; write 1 to 32 of a-z, 0-9 and -", u.Name)
	}
	switch cost, err := bcrypt.Cost([]byte(u.Hash)); {
	case err != nil:
		return User{}, fmt.Errorf("what stands behind %s is not a bcrypt hash; %s", u.Name, hint)
	case cost > maxCost:
		return User{}, fmt.Errorf("the hash of %s has the cost %d; the most is %d", u.Name, cost, maxCost)
	}
	return u, nil
}

// Read reads the users' file at path.
func Read(path string) (Users, error) {
	info, err := os.Stat(path)
	if err == nil && !info.Mode().IsRegular() {
		return Users{}, fmt.Errorf("%s is not a file", path)
	}
	var text []byte
	if err == nil {
		text, err = os.ReadFile(path)
	}
	if err != nil {
		return Users{}, fmt.Errorf("%s cannot be read: %w", path, bare(err))
	}
	return Parse(path, text)
}

// bare is an error without the path, which stands in front already.
func bare(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// Find is the user of a name.
func (u Users) Find(name string) (User, bool) {
	user, ok := u.byName[name]
	return user, ok
}

// Names are those of all users of a kind, sorted.
func (u Users) Names(kind Kind) []string {
	var out []string
	for _, user := range u.byName {
		if user.Kind == kind {
			out = append(out, user.Name)
		}
	}
	slices.Sort(out)
	return out
}

// Weak are the users, sorted, whose hashes are guessed fast should they be stolen.
func (u Users) Weak() []string {
	var out []string
	for _, user := range u.byName {
		if cost, err := bcrypt.Cost([]byte(user.Hash)); err != nil || cost < goodCost {
			out = append(out, user.Name)
		}
	}
	slices.Sort(out)
	return out
}

// Check tells whether the password is the user's. It takes a good part of a tenth of a second on purpose, of unknown users
// too.
func (u Users) Check(name string, password []byte) (User, bool) {
	user, known := u.byName[name]
	hash := user.Hash
	if !known {
		hash = u.dummy
	}
	ok := bcrypt.CompareHashAndPassword([]byte(hash), password) == nil
	return user, ok && known
}

// dummyHash is what an unknown user's password is compared with; the user is refused whatever comes of it.
const dummyHash = "$2a$10$N9qo8uLOickgx2ZMRZoMyeIjZAgcfl7p92ldGxad68LJZdL17lhWy"

// NewPassword is a password that nobody can guess: 192 random bits, fit for one line of a file.
func NewPassword() string {
	var b [24]byte
	rand.Read(b[:]) // never fails: the program would end first
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// Hash is a password as it stands in the users' file.
func Hash(password string) (string, error) {
	h, err := bcrypt.GenerateFromPassword([]byte(password), goodCost)
	return string(h), err
}

// ErrKnown says that a user stands in the file already.
var ErrKnown = errors.New("stands in the users' file already")

// Put writes a user into the file at path, which is made if need be; the other lines, owner and permissions stay as they are. A user of that name
// is replaced where replace says so, and is ErrKnown where not.
func Put(path string, user User, replace bool) error {
	text, err := os.ReadFile(path)
	perm, uid, gid := fs.FileMode(0o640), os.Geteuid(), os.Getegid()
	switch info, serr := os.Stat(path); {
	case errors.Is(err, fs.ErrNotExist):
		text = []byte("# Users of the embedded broker: kind, name, bcrypt hash of the password. A change counts at once.\n")
	case err != nil:
		return fmt.Errorf("%s cannot be read: %w", path, bare(err))
	case serr == nil:
		perm = info.Mode().Perm()
		if sys, ok := info.Sys().(*syscall.Stat_t); ok { // the server must be able to read it, whoever adds a user
			uid, gid = int(sys.Uid), int(sys.Gid)
		}
	}
	if _, err := Parse(path, text); err != nil {
		return err
	}
	var lines []string
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) == 3 && f[1] == user.Name && !strings.HasPrefix(f[0], "#") {
			if !replace {
				return fmt.Errorf("user %s %w", user.Name, ErrKnown)
			}
			continue
		}
		lines = append(lines, strings.TrimSuffix(line, "\n")+"\n")
	}
	lines = append(lines, fmt.Sprintf("%s %s %s\n", user.Kind, user.Name, user.Hash))
	out := strings.Join(lines, "")
	if _, err := Parse(path, []byte(out)); err != nil {
		return err
	}
	return replaceFile(path, out, perm, uid, gid)
}

// replaceFile puts text in the place of path, whole or not at all.
func replaceFile(path, text string, perm fs.FileMode, uid, gid int) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".users-*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", path, bare(err))
	}
	_, err = f.WriteString(text)
	err = errors.Join(err, f.Chown(uid, gid), f.Chmod(perm), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("%s cannot be written: %w", path, err), os.Remove(f.Name()))
	}
	return nil
}
