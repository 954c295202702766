package broker

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"gritwatch/internal/brokerlink"
	"gritwatch/server/internal/broker/access"
)

// checksAtOnce is how many passwords are checked at a time: each takes a processor for a good part of a tenth of a second.
const checksAtOnce = 2

// A door lets clients in and holds them to their rights. Without users and certificates it takes anyone.
type door struct {
	mqtt.HookBase
	o      Options
	server *mqtt.Server
	checks chan struct{}

	rights sync.Map // *mqtt.Client to *entry

	mu       sync.Mutex
	users    access.Users
	stamp    stamp // of the users' file when it was read
	said     brokerlink.Repeat
	secret   [32]byte
	accepted map[string][sha256.Size]byte // of users: their last good password and hash, so that a reconnection is cheap
}

// An entry is who a client is.
type entry struct {
	access.Rights
	hash string // of the password in the users' file; "": by certificate, or this program
}

// errRemoved is a user who is no longer in the users' file, or has another password now.
var errRemoved = errors.New("the user was taken out of the users' file, or given another password")

// newDoor reads the users' file.
func newDoor(o Options, server *mqtt.Server) (*door, error) {
	d := &door{o: o, server: server, checks: make(chan struct{}, checksAtOnce), accepted: map[string][sha256.Size]byte{}}
	rand.Read(d.secret[:])
	if o.Users == "" {
		return d, nil
	}
	d.stamp = stampOf(o.Users)
	users, err := access.Read(o.Users)
	d.users = users
	return d, err
}

func (d *door) ID() string { return "door" }

func (d *door) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnDisconnect:
		return true
	}
	return false
}

// anyone tells whether everybody is let in.
func (d *door) anyone() bool { return d.o.Users == "" && d.o.ClientCA == "" }

// OnConnect lets a client in or tells it why not. The library's own hook for that has one answer to everything.
func (d *door) OnConnect(cl *mqtt.Client, pk packets.Packet) error {
	if cl.Net.Listener == insideID {
		d.rights.Store(cl, &entry{Rights: access.Of(access.Server, d.o.Site, "")})
		return nil
	}
	if d.ours(cl.ID) {
		return d.refuse(cl, packets.ErrClientIdentifierNotValid, cl.ID, "asks for the client id of this server")
	}
	if d.anyone() {
		return nil
	}
	who, code, why := d.admit(cl, pk)
	name := who.Name()
	if name == "" {
		name = string(pk.Connect.Username)
	}
	switch {
	case why != "":
		return d.refuse(cl, code, name, why)
	case !who.MayBe(pk.Connect.ClientIdentifier):
		return d.refuse(cl, packets.ErrClientIdentifierNotValid, name, fmt.Sprintf("may not use the client id %q", pk.Connect.ClientIdentifier))
	case d.taken(cl.ID, who):
		return d.refuse(cl, packets.ErrClientIdentifierNotValid, name, fmt.Sprintf("asks for the client id %q of another user", cl.ID))
	case pk.Connect.WillFlag && !who.MayPublish(pk.Connect.WillTopic):
		return d.refuse(cl, packets.ErrNotAuthorized, name, fmt.Sprintf("has a will for %s, which it may not publish", pk.Connect.WillTopic))
	}
	d.rights.Store(cl, who)
	return nil
}

// ours tells whether a client id is held by a connection of this program.
func (d *door) ours(id string) bool {
	held, ok := d.server.Clients.Get(id)
	return ok && held.Net.Listener == insideID
}

// taken tells whether another user has the client id.
func (d *door) taken(id string, who *entry) bool {
	held, ok := d.server.Clients.Get(id)
	if !ok {
		return false
	}
	e, ok := d.rights.Load(held)
	return ok && e.(*entry).Name() != who.Name()
}

// admit says who a client is, or why it is not let in.
func (d *door) admit(cl *mqtt.Client, pk packets.Packet) (who *entry, code packets.Code, why string) {
	owner := ""
	if v, ok := cl.Net.Conn.(*visitor); ok {
		owner = v.owner()
	}
	switch {
	case pk.Connect.UsernameFlag && d.o.Users != "":
		user, ok := d.check(string(pk.Connect.Username), pk.Connect.Password)
		if !ok {
			return &entry{}, packets.ErrBadUsernameOrPassword, "is not known, or gave a wrong password"
		}
		if owner != "" && owner != user.Name {
			return &entry{}, packets.ErrNotAuthorized, fmt.Sprintf("comes with the certificate of %q", owner)
		}
		return &entry{access.Of(user.Kind, d.o.Site, user.Name), user.Hash}, code, ""
	case owner != "" && slices.Contains(d.o.Agents, owner):
		return &entry{Rights: access.Of(access.Agent, d.o.Site, owner)}, code, ""
	case owner != "":
		return &entry{}, packets.ErrNotAuthorized, fmt.Sprintf("comes with the certificate of %q, which is none of the agents in the site's file", owner)
	}
	return &entry{}, packets.ErrNotAuthorized, "gave no log-in"
}

// check looks a password up, and remembers a good one so that coming back costs little.
func (d *door) check(name string, password []byte) (access.User, bool) {
	d.mu.Lock()
	users := d.users
	known, ok := d.accepted[name]
	d.mu.Unlock()
	if user, listed := users.Find(name); ok && listed && known == d.mark(user, password) {
		return user, true
	}
	d.checks <- struct{}{}
	user, good := users.Check(name, password)
	<-d.checks
	if good {
		d.mu.Lock()
		d.accepted[name] = d.mark(user, password)
		d.mu.Unlock()
	}
	return user, good
}

// mark stands for a password and the hash that it was found good against.
func (d *door) mark(user access.User, password []byte) (out [sha256.Size]byte) {
	m := hmac.New(sha256.New, d.secret[:])
	m.Write([]byte(user.Hash))
	m.Write([]byte{0})
	m.Write(password)
	m.Sum(out[:0])
	return out
}

// refuse answers CONNECT with a code and says it in the log.
func (d *door) refuse(cl *mqtt.Client, code packets.Code, name, why string) error {
	d.say(name+why, slog.LevelWarn, "refused a client of the broker: it "+why, slog.String("user", name), slog.String("remote", cl.Net.Remote))
	if cl.Properties.ProtocolVersion < 5 {
		// The library's names of what travels as 4, bad user or password, and as 5, not authorised (MQTT 3.1.1, 3.2.2.3).
		switch code {
		case packets.ErrBadUsernameOrPassword:
			code = packets.ErrMalformedPassword
		case packets.ErrNotAuthorized:
			code = packets.ErrBadUsernameOrPassword
		}
	}
	return errors.Join(code, d.server.SendConnack(cl, code, false, nil))
}

// OnConnectAuthenticate is asked after OnConnect.
func (d *door) OnConnectAuthenticate(cl *mqtt.Client, _ packets.Packet) bool {
	if d.anyone() {
		return true
	}
	_, ok := d.rights.Load(cl)
	return ok
}

// OnACLCheck is asked for every message that comes in and goes out, and for every subscription.
func (d *door) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	if d.anyone() {
		return true
	}
	v, ok := d.rights.Load(cl)
	if !ok {
		return false
	}
	who := v.(*entry)
	if write {
		if who.MayPublish(topic) {
			return true
		}
		d.say(who.Name()+" publishes", slog.LevelWarn, "a client of the broker tried to publish what it may not", slog.String("user", who.Name()), slog.String("topic", topic))
		return false
	}
	if who.MayRead(topic) {
		return true
	}
	d.say(who.Name()+" reads", slog.LevelWarn, "a client of the broker tried to read what it may not", slog.String("user", who.Name()), slog.String("topic", topic))
	return false
}

func (d *door) OnDisconnect(cl *mqtt.Client, _ error, expire bool) {
	if expire {
		d.rights.Delete(cl)
	}
}

func (d *door) say(key string, level slog.Level, text string, attrs ...slog.Attr) {
	d.mu.Lock()
	times, say := d.said.Say(key, time.Now())
	d.mu.Unlock()
	if say {
		d.o.Log.LogAttrs(context.Background(), level, text, append(attrs, slog.Int("times", times))...)
	}
}

// round forgets clients that are gone, takes in a changed users' file, and ends the connections of those it no longer holds.
func (d *door) round() {
	changed := d.reread()
	d.rights.Range(func(k, v any) bool {
		cl, who := k.(*mqtt.Client), v.(*entry)
		if cl.Closed() {
			if listed, ok := d.server.Clients.Get(cl.ID); !ok || listed != cl {
				d.rights.Delete(cl)
			}
			return true
		}
		if !changed || who.hash == "" {
			return true
		}
		d.mu.Lock()
		user, ok := d.users.Find(who.Name())
		d.mu.Unlock()
		if !ok || user.Hash != who.hash || user.Kind != who.Kind() {
			d.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "ended a client of the broker", slog.String("user", who.Name()),
				slog.String("remote", cl.Net.Remote), slog.String("reason", errRemoved.Error()))
			d.rights.Delete(cl)
			cl.Stop(errRemoved)
		}
		return true
	})
}

// reread reads the users' file if it is another than before. One that cannot be used leaves the users as they were.
func (d *door) reread() bool {
	if d.o.Users == "" {
		return false
	}
	now := stampOf(d.o.Users)
	if now == d.stamp {
		return false
	}
	d.stamp = now
	users, err := access.Read(d.o.Users)
	if err != nil {
		d.o.Log.LogAttrs(context.Background(), slog.LevelError, "the changed users' file cannot be used; the users stay as they were",
			slog.String("reason", err.Error()))
		return false
	}
	d.mu.Lock()
	d.users = users
	d.mu.Unlock()
	d.o.Log.LogAttrs(context.Background(), slog.LevelInfo, "the users' file was read again", slog.String("file", d.o.Users))
	return true
}

// A stamp tells one state of a file from another.
type stamp struct {
	at   time.Time
	size int64
}

func stampOf(path string) stamp {
	info, err := os.Stat(path)
	if err != nil {
		return stamp{}
	}
	return stamp{info.ModTime(), info.Size()}
}
