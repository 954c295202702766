package access_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/crypto/bcrypt"
	"pgregory.net/rapid"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/broker/access"
)

// TestAgent: what the standard's security section wants of an edge node's rights (Sparkplug 3.0.0, chapter 9), topic by topic.
func TestAgent(t *testing.T) {
	r := access.Of(access.Agent, "harrow-quay", "quay-1")
	for topic, want := range map[string]bool{
		"spBv1.0/harrow-quay/NBIRTH/quay-1":         true,
		"spBv1.0/harrow-quay/NDATA/quay-1":          true,
		"spBv1.0/harrow-quay/NDEATH/quay-1":         true,
		"spBv1.0/harrow-quay/DBIRTH/quay-1/alder":   true,
		"spBv1.0/harrow-quay/DDATA/quay-1/alder":    true,
		"spBv1.0/harrow-quay/DDEATH/quay-1/alder":   true,
		"spBv1.0/harrow-quay/NBIRTH/quay-2":         false,
		"spBv1.0/harrow-quay/NBIRTH/quay-11":        false,
		"spBv1.0/harrow-quay/NBIRTH/quay-":          false,
		"spBv1.0/harrow-quay/NBIRTH/quay-1/alder":   false,
		"spBv1.0/harrow-quay/NBIRTH/quay-1/":        false,
		"spBv1.0/harrow-quay/NBIRTH/":               false,
		"spBv1.0/harrow-quay/NBIRTH":                false,
		"spBv1.0/harrow-quay/DDATA/quay-2/alder":    false,
		"spBv1.0/harrow-quay/DDATA/quay-1":          false,
		"spBv1.0/harrow-quay/DDATA/quay-1/":         false,
		"spBv1.0/harrow-quay/DDATA/quay-1/a/b":      false,
		"spBv1.0/harrow-quay/DDATA/quay-1/+":        false,
		"spBv1.0/other/NBIRTH/quay-1":               false,
		"spBv1.0/harrow-quay2/NBIRTH/quay-1":        false,
		"spBv1.0/harrow-quay/NCMD/quay-1":           false,
		"spBv1.0/harrow-quay/DCMD/quay-1/alder":     false,
		"spBv1.0/harrow-quay/NCMD/quay-2":           false,
		"spBv1.0/STATE/gritwatch":                   false,
		"spBv1.0/STATE/quay-1":                      false,
		"STATE/gritwatch":                           false,
		"/spBv1.0/harrow-quay/NBIRTH/quay-1":        false,
		"spAv1.0/harrow-quay/NBIRTH/quay-1":         false,
		"":                                          false,
		"anything":                                  false,
		"$SYS/broker/clients":                       false,
		"$share/g/spBv1.0/harrow-quay/DATA/quay-1":  false,
		"spBv1.0/harrow-quay/NREBIRTH/quay-1":       false,
		"spBv1.0/harrow-quay/nbirth/quay-1":         false,
		"spBv1.0/harrow-quay/DBIRTH/quay-1/STATE/x": false,
	} {
		if r.MayPublish(topic) != want {
			t.Errorf("publish %s: %v", topic, !want)
		}
	}
	for filter, want := range map[string]bool{
		"spBv1.0/harrow-quay/NCMD/quay-1":          true,
		"spBv1.0/harrow-quay/DCMD/quay-1/alder":    true,
		"spBv1.0/harrow-quay/DCMD/quay-1/+":        true,
		"spBv1.0/harrow-quay/DCMD/quay-1/#":        true,
		"spBv1.0/STATE/gritwatch":                  true,
		"spBv1.0/STATE/+":                          true,
		"spBv1.0/STATE/#":                          false,
		"spBv1.0/STATE":                            false,
		"spBv1.0/STATE/a/b":                        false,
		"spBv1.0/harrow-quay/NCMD/quay-2":          false,
		"spBv1.0/harrow-quay/NCMD/+":               false,
		"spBv1.0/harrow-quay/NCMD/#":               false,
		"spBv1.0/harrow-quay/NCMD/quay-1/#":        false,
		"spBv1.0/harrow-quay/+/quay-1":             false,
		"spBv1.0/harrow-quay/#":                    false,
		"spBv1.0/+/NCMD/quay-1":                    false,
		"spBv1.0/#":                                false,
		"#":                                        false,
		"+/harrow-quay/NCMD/quay-1":                false,
		"$share/g/spBv1.0/harrow-quay/NCMD/quay-1": false,
		"spBv1.0/harrow-quay/DDATA/quay-1/alder":   false,
		"spBv1.0/harrow-quay/DCMD/quay-1":          false,
		"spBv1.0/harrow-quay/DCMD/+/alder":         false,
		"$SYS/#":                                   false,
	} {
		if r.MayRead(filter) != want {
			t.Errorf("read %s: %v", filter, !want)
		}
	}
	for id, want := range map[string]bool{"gritwatch-agent-harrow-quay-quay-1": true, "gritwatch-agent-harrow-quay-quay-2": false,
		"gritwatch-server-harrow-quay": false, "": false, "quay-1": false} {
		if r.MayBe(id) != want {
			t.Errorf("client id %q: %v", id, !want)
		}
	}
}

func TestOthers(t *testing.T) {
	o := access.Of(access.Observer, "harrow-quay", "wall")
	if !o.MayRead("#") || o.MayPublish("spBv1.0/harrow-quay/NBIRTH/wall") || o.MayPublish("x") || !o.MayBe("") || !o.MayBe("tablet") ||
		o.MayBe("gritwatch-agent-harrow-quay-quay-1") || o.MayBe("gritwatch-server-harrow-quay") {
		t.Error("observer")
	}
	s := access.Of(access.Server, "harrow-quay", "")
	if !s.MayRead("#") || !s.MayPublish("spBv1.0/harrow-quay/NCMD/quay-1") || !s.MayPublish("spBv1.0/STATE/gritwatch") || !s.MayBe("gritwatch-server-harrow-quay") {
		t.Error("server")
	}
	var none access.Rights
	if none.MayRead("x") || none.MayRead("") || none.MayPublish("") || none.MayBe("") {
		t.Error("nobody may do something")
	}
}

// TestAgainstTheParser: a topic of an agent's is one that reads as its own birth, data or death, and no other is. The reader is
// the host's, which shares nothing with these rules.
func TestAgainstTheParser(t *testing.T) {
	levels := []string{"spBv1.0", "harrow-quay", "other", "NBIRTH", "NDATA", "NDEATH", "NCMD", "DBIRTH", "DDATA", "DDEATH", "DCMD", "STATE", "quay-1", "quay-2", "alder", "", "+", "#", "gritwatch"}
	rapid.Check(t, func(t *rapid.T) {
		var topic string
		if rapid.Bool().Draw(t, "likely") {
			one := func(label string, n ...int) string { return levels[rapid.SampledFrom(n).Draw(t, label)] }
			topic = strings.Join([]string{"spBv1.0", one("group", 1, 2), one("kind", 3, 4, 5, 6, 7, 8, 9, 10), one("node", 12, 13)}, "/")
			if rapid.Bool().Draw(t, "device") {
				topic += "/" + rapid.SampledFrom(levels).Draw(t, "device name")
			}
		} else {
			topic = strings.Join(rapid.SliceOfN(rapid.SampledFrom(levels), 0, 6).Draw(t, "levels"), "/")
		}
		p, err := sparkplug.ParseTopic(topic)
		want := err == nil && p.Group == "harrow-quay" && p.Node == "quay-1" && p.Kind != sparkplug.NodeCommand && p.Kind != sparkplug.DeviceCommand
		r := access.Of(access.Agent, "harrow-quay", "quay-1")
		// STATE is no name of a device for the reader; the broker need not know.
		if got := r.MayPublish(topic); got != want && p.Device != "STATE" && !strings.HasSuffix(topic, "/STATE") {
			t.Fatalf("publish %q: %v", topic, got)
		}
		if r.MayRead(topic) && err == nil && (p.Kind != sparkplug.HostState && p.Node != "quay-1" || p.Kind != sparkplug.HostState && p.Kind != sparkplug.NodeCommand && p.Kind != sparkplug.DeviceCommand) {
			t.Fatalf("reads %q", topic)
		}
	})
}

func TestRightsAllocateNothing(t *testing.T) {
	r := access.Of(access.Agent, "harrow-quay", "quay-1")
	if n := testing.AllocsPerRun(100, func() {
		if !r.MayPublish("spBv1.0/harrow-quay/DDATA/quay-1/alder") || !r.MayRead("spBv1.0/harrow-quay/NCMD/quay-1") {
			t.Error("refused")
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func TestUsers(t *testing.T) {
	path := filepath.Join(t.TempDir(), "users")
	password := access.NewPassword()
	if len(password) != 32 || password == access.NewPassword() { // 24 bytes in base64
		t.Errorf("password %q", password)
	}
	put := func(kind access.Kind, name, password string, replace bool) error {
		hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
		if err != nil {
			t.Fatal(err)
		}
		return access.Put(path, access.User{Kind: kind, Name: name, Hash: string(hash)}, replace)
	}
	if err := errors.Join(put(access.Agent, "quay-1", password, false), put(access.Observer, "wall", "w", false)); err != nil {
		t.Fatal(err)
	}
	if err := put(access.Agent, "quay-1", "other", false); !errors.Is(err, access.ErrKnown) {
		t.Errorf("a second time: %v", err)
	}
	if err := put(access.Agent, "Quay 1", "x", false); err == nil {
		t.Error("a bad name was taken")
	}
	u, err := access.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, password string
		want           bool
	}{{"quay-1", password, true}, {"quay-1", password + "x", false}, {"quay-1", "", false}, {"wall", "w", true}, {"wall", password, false}, {"quay-2", password, false}, {"", "", false}} {
		if user, ok := u.Check(c.name, []byte(c.password)); ok != c.want || ok && user.Name != c.name {
			t.Errorf("%s with %q: %v", c.name, c.password, ok)
		}
	}
	// Whoever adds a user, the file stays its owner's: with another the server could no longer read it.
	owner, group := os.Getuid(), os.Getgid()
	if owner == 0 {
		owner, group = 1234, 1235
	}
	if err := errors.Join(os.Chown(path, owner, group), os.Chmod(path, 0o600), put(access.Agent, "quay-1", "new", true)); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 || int(info.Sys().(*syscall.Stat_t).Uid) != owner || int(info.Sys().(*syscall.Stat_t).Gid) != group {
		t.Errorf("%+v, %v", info, err)
	}
	if u, err = access.Read(path); err != nil {
		t.Fatal(err)
	}
	if _, ok := u.Check("quay-1", []byte(password)); ok {
		t.Error("the old password is still good")
	}
	if _, ok := u.Check("quay-1", []byte("new")); !ok {
		t.Error("the new password is not good")
	}
	text, err := os.ReadFile(path)
	if err != nil || strings.Contains(string(text), password) || strings.Count(string(text), "\n") != 3 || !strings.HasPrefix(string(text), "# ") {
		t.Errorf("%v\n%s", err, text)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm()&0o007 != 0 {
		t.Errorf("%v, %v", info, err)
	}
	if weak := u.Weak(); len(weak) != 2 {
		t.Errorf("weak are %v", weak)
	}
	hash, err := access.Hash(password)
	if err == nil {
		err = access.Put(path, access.User{Kind: access.Agent, Name: "quay-1", Hash: hash}, true)
	}
	if err != nil {
		t.Fatal(err)
	}
	if u, err = access.Read(path); err != nil || len(u.Weak()) != 1 {
		t.Errorf("weak are %v, error %v", u.Weak(), err)
	}
	if _, ok := u.Check("quay-1", []byte(password)); !ok {
		t.Error("a password as it is handed out is not good")
	}
	if entries, err := os.ReadDir(filepath.Dir(path)); err != nil || len(entries) != 1 {
		t.Errorf("%v is left, %v", entries, err)
	}
}

func TestParseErrors(t *testing.T) {
	hash := func(cost int) string {
		h, err := bcrypt.GenerateFromPassword([]byte("x"), cost)
		if err != nil {
			t.Fatal(err)
		}
		return string(h)
	}
	good := hash(4)
	slow := strings.Replace(good, "$04$", "$14$", 1)
	for text, want := range map[string]string{
		"agent quay-1":                                    "users:1: is not a user; ",
		"agent quay-1 " + good + " x":                     "users:1: is not a user; ",
		"\n# c\nadmin quay-1 " + good:                     `users:3: "admin" is not a kind of user; kinds: agent, observer`,
		"agent Quay " + good:                              `users:1: "Quay" is not a name; `,
		"agent quay-1 secret":                             "users:1: what stands behind quay-1 is not a bcrypt hash; ",
		"agent quay-1 " + slow:                            "users:1: the hash of quay-1 has the cost 14; the most is 13",
		"agent a " + good + "\nobserver a " + good + "\n": "users:2: user a stands here a second time; ",
	} {
		_, err := access.Parse("users", []byte(text))
		var ye *yamlfile.Error
		if !errors.As(err, &ye) || !strings.HasPrefix(err.Error(), want) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%q: %v", text, err)
		}
	}
	if u, err := access.Parse("users", []byte("# none\n\n  agent  a\t"+good+"  \n")); err != nil || len(u.Names(access.Agent)) != 1 {
		t.Errorf("%v, %v", u, err)
	}
}

// FuzzParse: whatever stands in a users' file, it is refused with lines that say where, or each user has a name, a kind and a
// hash.
func FuzzParse(f *testing.F) {
	f.Add("agent quay-1 $2a$10$N9qo8uLOickgx2ZMRZoMyeIjZAgcfl7p92ldGxad68LJZdL17lhWy\nobserver wall x\n# c\n")
	f.Fuzz(func(t *testing.T, text string) {
		u, err := access.Parse("users", []byte(text))
		var ye *yamlfile.Error
		if err != nil && !errors.As(err, &ye) {
			t.Fatal(err)
		}
		for _, name := range append(u.Names(access.Agent), u.Names(access.Observer)...) {
			if user, ok := u.Find(name); !ok || user.Name != name || len(user.Hash) < 59 {
				t.Fatalf("%+v", user)
			}
		}
	})
}

// BenchmarkRights is what each message of an agent costs the broker on its way in.
func BenchmarkRights(b *testing.B) {
	r := access.Of(access.Agent, "harrow-quay", "quay-1")
	b.ReportAllocs()
	for b.Loop() {
		if !r.MayPublish("spBv1.0/harrow-quay/DDATA/quay-1/alder") {
			b.Fatal("refused")
		}
	}
}
