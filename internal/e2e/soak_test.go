package e2e_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"text/tabwriter"
	"time"

	"gritwatch/protocol/live"
)

// Lengths of the storm, unless SOAKTIME says otherwise.
const (
	shortSoak = 20 * time.Second
	soakSeed  = 1 // unless SOAKSEED does
)

// What a kill and a cut of the power may cost of what was read.
const (
	onePoll   = 8               // readings: one period of a line with two pots
	syncEvery = 5 * time.Second // of the agents' files
	syncSlack = 5 * time.Second // for one sync and one flush, on a busy machine
	nearKill  = 2 * time.Second // of true time before a kill, in which what is missing is the kill's
)

// A soak is a whole stack in a storm: three pots on two simulated lines, an agent for each line, a broker, a server.
type soak struct {
	*site
	storm   *storm
	broker  string // embedded or mosquitto
	primary bool   // agents wait for the server
	mounts  string // why no disk can be mounted; empty: they can
	pots    []string
	agents  []*soakAgent
	server  *machine
	outside *daemon // the broker, where it is not the server
	sim     *daemon
	links   []*link
	truth   string
	began   time.Time

	healed, caughtUp, booked time.Duration // after the storm's end: pots fresh, readings stored, cycles recorded
}

type soakAgent struct {
	*machine
	pots   []string
	config string
	clock  string // path of what its clock is off by
	heard  string // path of what it read
}

// TestSoak lets a storm loose on the whole stack, and holds what is stored in the end to what was read: every record of every
// journal is in the history once, and nobody was told VENTED of a vessel under pressure. SOAKTIME is how long it blows,
// SOAKSEED draws it. It runs alone: beside others the simulated lines would be late.
func TestSoak(t *testing.T) {
	length, seed := shortSoak, uint64(soakSeed)
	if text := os.Getenv("SOAKTIME"); text != "" {
		var err error
		if length, err = time.ParseDuration(text); err != nil || length < time.Second {
			t.Fatalf("SOAKTIME=%s is no length of time from 1s on: %v", text, err)
		}
	}
	if text := os.Getenv("SOAKSEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatalf("SOAKSEED=%s is no whole number: %v", text, err)
		}
	}
	t.Logf("SOAKSEED=%d SOAKTIME=%v", seed, length)
	// Disks are to be given back when somebody has seen enough, too.
	ctx, restore := signal.NotifyContext(t.Context(), syscall.SIGINT, syscall.SIGTERM)
	defer restore()
	s := newSoak(t, seed, length)
	s.begin()
	watching, endWatch := context.WithCancel(t.Context())
	defer endWatch()
	var watch watcher
	var watched sync.WaitGroup
	watched.Go(func() {
		tick := time.NewTicker(200 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-watching.Done():
				return
			case <-tick.C:
				watch.look(s.site)
			}
		}
	})
	defer watched.Wait()
	defer endWatch()
	s.blow(ctx, length)
	if ctx.Err() != nil {
		t.Fatal("interrupted")
	}
	if t.Failed() {
		return
	}
	s.heal()
	said := s.settle()
	endWatch()
	watched.Wait()
	s.stopAll()
	s.judge(said, &watch)
}

func newSoak(t *testing.T, seed uint64, length time.Duration) *soak {
	r := rand.New(rand.NewPCG(seed, 0))
	s := &soak{site: newSite(t), mounts: mayMount(), broker: "embedded", primary: r.IntN(3) == 0, pots: []string{"alder", "birch", "cedar"}}
	if r.IntN(2) == 0 {
		s.broker = "mosquitto"
	}
	s.storm = &storm{t: t, seed: seed, pause: min(max(length/20, 4*time.Second), 8*time.Second), gusts: length > gust+calm}
	s.truth = filepath.Join(s.dir, "truth.jsonl")
	for _, dir := range []string{"logs", "heard"} {
		if err := os.Mkdir(filepath.Join(s.dir, dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		if t.Failed() {
			s.tellLogs()
		}
	})
	machines := filepath.Join(s.dir, "machines")
	real := s.mounts == ""
	if real {
		sharedMounts(t, machines)
	} else if err := os.Mkdir(machines, 0o755); err != nil {
		t.Fatal(err)
	}

	// Agents and server reach the broker over a link each.
	near := func(name string) string {
		addr := freeAddr(t)
		s.links = append(s.links, newLink(t, addr, s.mqtt))
		return addr
	}
	soakBuild, err := soakAgentProgram()
	if err != nil {
		t.Fatal(err)
	}
	for i, pots := range [][]string{s.pots[:2], s.pots[2:]} {
		name := fmt.Sprintf("quay-%d", i+1)
		a := &soakAgent{machine: newMachine(t, machines, name, 64<<20, real), pots: pots, clock: filepath.Join(s.dir, name+".clock"),
			heard: filepath.Join(s.dir, "heard", name)}
		if err := setClock(a.clock, 0); err != nil {
			t.Fatal(err)
		}
		a.config = s.write(name+".yaml", s.agentFile(a, near(name), fmt.Sprintf("line-%d", i)))
		a.program = s.daemon(name, func() *exec.Cmd {
			cmd := a.own(soakBuild, "run", "--config", a.config)
			cmd.Env = soakEnv(a.clock, a.heard)
			return cmd
		})
		s.agents = append(s.agents, a)
	}
	s.server = newMachine(t, machines, "server", 1<<30, real)
	broker := fmt.Sprintf(`{embedded: "%s"}`, s.mqtt)
	if s.broker == "mosquitto" {
		broker = fmt.Sprintf(`{url: "mqtt://%s"}`, near("server"))
		host, port, err := net.SplitHostPort(s.mqtt)
		if err != nil {
			t.Fatal(err)
		}
		s.write("mosquitto.conf", fmt.Sprintf("listener %s %s\nallow_anonymous true\n", port, host))
		s.outside = s.daemon("mosquitto", func() *exec.Cmd {
			return exec.Command("/usr/sbin/mosquitto", "-c", filepath.Join(s.dir, "mosquitto.conf"))
		})
	}
	site := s.write("site.yaml", s.siteFile(broker))
	s.server.program = s.daemon("server", func() *exec.Cmd {
		return exec.Command(filepath.Join(bin, "gritwatch-server"), "run", "--config", site)
	})
	sim := s.write("sim.yaml", s.simFile(rand.New(rand.NewPCG(seed, 1)), length))
	s.sim = s.daemon("sim", func() *exec.Cmd {
		return exec.Command(filepath.Join(bin, "gritwatch-sim"), "run", "--config", sim, "--truth", s.truth)
	})
	return s
}

// soakAgentProgram builds once the agent whose clock can be set and whose readings can be seen.
var soakAgentProgram = sync.OnceValues(func() (string, error) {
	path := filepath.Join(bin, "gritwatch-agent-soak")
	cmd := exec.Command("go", slices.Concat([]string{"build", "-tags", "soak"}, buildFlags, []string{"-o", path, "./agent"})...)
	cmd.Dir = "../.."
	cmd.Env = append(os.Environ(), buildEnv...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build of the agent for the soak: %w\n%s", err, out)
	}
	return path, nil
})

// soakEnv is the environment of such an agent: the paths of what its clock is off by, and of what it read.
func soakEnv(clock, heard string) []string {
	return append(os.Environ(), "GRITWATCH_SOAK_CLOCK="+clock, "GRITWATCH_SOAK_READ="+heard)
}

// daemon is a program of the stack; the test's end kills it.
func (s *soak) daemon(name string, command func() *exec.Cmd) *daemon {
	d := &daemon{name: name, log: filepath.Join(s.dir, "logs", name), command: func() *exec.Cmd {
		cmd := command()
		cmd.Dir = s.dir
		return cmd
	}}
	s.t.Cleanup(d.kill)
	return d
}

func (s *soak) all() []*daemon {
	out := []*daemon{s.sim, s.server.program}
	if s.outside != nil {
		out = append(out, s.outside)
	}
	for _, a := range s.agents {
		out = append(out, a.program)
	}
	return out
}

func (s *soak) potMapping(name string) string { return potMapping(pot{name: name}) }

func (s *soak) agentFile(a *soakAgent, broker, port string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "agent: %s\nsite: harrow-quay\nbroker: {url: \"mqtt://%s\"}\njournal: {path: %s, size: 32 MB, sync: %s}\nsimulated: true\n",
		a.name, broker, filepath.Join(a.dir, "journal"), syncEvery)
	if s.primary {
		b.WriteString("primary_host: gritwatch\n")
	}
	fmt.Fprintf(&b, "buses:\n  - port: $DIR/%s\n    mode: 115200 8E1\n    period: 100ms\n    units:\n", port)
	for i, name := range a.pots {
		fmt.Fprintf(&b, "      - unit: %d\n        read:\n", i+1)
		for k, point := range potPointNames {
			fmt.Fprintf(&b, "          - {pot: %s, point: %s, input: %d, type: float32, order: high-first, unit: psi}\n", name, point, 2*k)
		}
	}
	b.WriteString("pots:\n")
	for _, name := range a.pots {
		fmt.Fprintf(&b, "  - {%s}\n", s.potMapping(name))
	}
	return b.String()
}

func (s *soak) siteFile(broker string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "site: harrow-quay\nlisten: $HTTP\nbroker: %s\ndata: %s\npots:\n", broker, filepath.Join(s.server.dir, "data"))
	for _, a := range s.agents {
		for _, name := range a.pots {
			fmt.Fprintf(&b, "  - {agent: %s, %s}\n", a.name, s.potMapping(name))
		}
	}
	return b.String()
}

// simFile plays pots that blast and rest, and takes the ports away now and then.
func (s *soak) simFile(r *rand.Rand, length time.Duration) string {
	var b strings.Builder
	fmt.Fprintf(&b, "about: a stack in a storm\nseed: %d\npots:\n", s.storm.seed%(1<<31))
	for i, name := range s.pots {
		fmt.Fprintf(&b, "  - {%s, script: {cycle: {press: 14 s, rest: 16 s, start: %d s, refill_below: 0.1 %%}}}\n", s.potMapping(name), 3+4*i)
	}
	b.WriteString("lines:\n")
	for i, a := range s.agents {
		fmt.Fprintf(&b, "  - link: $DIR/line-%d\n    mode: 115200 8E1\n", i)
		var faults []string
		for at := between(r, 4*time.Second, 4*s.storm.pause); at < length; at += between(r, s.storm.pause, 5*s.storm.pause) {
			for_ := between(r, 500*time.Millisecond, 6*time.Second)
			faults = append(faults, fmt.Sprintf("{at: %.3f s, for: %.3f s, unplugged: true}", at.Seconds(), for_.Seconds()))
			s.storm.blows = append(s.storm.blows, blow{kind: blowPort, to: a.name})
			at += for_
		}
		if len(faults) > 0 {
			fmt.Fprintf(&b, "    faults: [%s]\n", strings.Join(faults, ", "))
		}
		b.WriteString("    units:\n")
		for k, name := range a.pots {
			fmt.Fprintf(&b, "      - {unit: %d, kind: transmitter, channels: [", k+1)
			for n, point := range potPointNames {
				if n > 0 {
					b.WriteString(", ")
				}
				fmt.Fprintf(&b, "{pot: %s, point: %s, address: %d, order: high-first, unit: psi}", name, point, 2*n)
			}
			b.WriteString("]}\n")
		}
	}
	return b.String()
}

// begin starts all and waits until every pot is read.
func (s *soak) begin() {
	s.began = time.Now()
	s.sim.up()
	eventually(s.t, soon, "the simulator's lines", func() bool { return strings.Contains(s.sim.said(), "lines ready") })
	if s.outside != nil {
		s.outside.up()
	}
	s.server.program.up()
	for _, a := range s.agents {
		a.program.up()
	}
	s.fresh("at the start", recovers)
}

func (s *soak) fresh(when string, within time.Duration) {
	s.t.Helper()
	eventually(s.t, within, "fresh readings of all pots "+when, func() bool {
		all, err := s.site.pots()
		n := 0
		for _, p := range all {
			if p.AgeS != nil && *p.AgeS < 2 {
				n++
			}
		}
		return err == nil && n == len(s.pots)
	})
}

// blow lets the storm loose for so long.
func (s *soak) blow(ctx context.Context, length time.Duration) {
	ctx, cancel := context.WithTimeout(ctx, length)
	defer cancel()
	st := s.storm
	st.ctx, st.began = ctx, time.Now()
	const longest = 6 * time.Second
	for _, a := range s.agents {
		st.front(a.name, slices.Concat(st.kills(a.program, &a.at, longest), st.cuts(a.machine, longest))...)
		st.front(a.name+" disk", st.fills(a.machine, 256<<10)...)
		st.front(a.name+" clock", st.clockSteps(a.clock)...)
	}
	st.front("server", slices.Concat(st.kills(s.server.program, &s.server.at, longest), st.cuts(s.server, longest))...)
	st.front("server disk", st.fills(s.server, 200<<20)...)
	if s.outside != nil {
		st.front("broker", st.kills(s.outside, new(sync.Mutex), longest)...)
	}
	for i, l := range s.links {
		st.front(fmt.Sprintf("link %d", i+1), st.links(l)...)
	}
	st.wg.Wait()
}

// heal waits until all is well again.
func (s *soak) heal() {
	s.t.Helper()
	began := time.Now()
	for _, a := range s.agents {
		if err := setClock(a.clock, 0); err != nil {
			s.t.Fatal(err)
		}
	}
	s.fresh("after the storm", 2*recovers)
	s.healed = time.Since(began)
	if !s.storm.gusts {
		return
	}
	vented := map[string]bool{}
	eventually(s.t, 2*recovers, "every pot VENTED again after the storm", func() bool {
		for _, name := range s.pots {
			vented[name] = vented[name] || s.word(name) == "vented"
		}
		return vented["alder"] && vented["birch"] && vented["cedar"]
	})
}

// A books is what is known in the end: what was read, what the journals hold, what is stored.
type books struct {
	heard    map[string][]heard // by agent
	journals map[string][]record
	ids      map[string]string
	stored   stored
	losses   []live.Loss
	cycles   []live.Cycle
}

// settle ends the readings, and waits until the server has all that the journals hold.
func (s *soak) settle() books {
	s.t.Helper()
	if err := s.sim.stop(); err != nil {
		s.t.Error(err)
	}
	began := time.Now()
	var b books
	var last string
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(s.patience()); ; {
		var err error
		if b, err = s.read(); err == nil {
			good, others, _ := b.stored.missing(b.journals)
			stored := len(good)+len(others) == 0 && time.Since(began) > 4*time.Second // the agents have told their pots dead
			if stored && s.caughtUp == 0 {
				s.caughtUp = time.Since(began)
			}
			whole := b.stored.whole()
			switch {
			case stored && len(b.cycles) >= whole:
				s.booked = time.Since(began)
				return b
			case stored:
				last = fmt.Sprintf("all is stored, and shows %d cycles; %d are recorded", whole, len(b.cycles))
			default:
				last = fmt.Sprintf("%d good records are in a journal and not in the history, the first %s; and others %v", len(good), first(good), others)
			}
		} else {
			last = err.Error()
		}
		select {
		case <-tick.C:
		case <-deadline:
			s.t.Errorf("the server has not got all of the journals, or not judged it, %v after the readings' end: %s", s.patience(), last)
			s.booked = time.Since(began)
			s.caughtUp = cmp.Or(s.caughtUp, s.booked)
			return b
		}
	}
}

func first(r []record) string {
	if len(r) == 0 {
		return "none"
	}
	x := r[0]
	return fmt.Sprintf("position %d, %s %s at %s, epoch %d", x.position, x.pot, x.point, time.UnixMilli(x.at).UTC().Format(time.RFC3339Nano), x.epoch)
}

// patience is how long the server may take to ask for all that it has missed.
func (s *soak) patience() time.Duration { return 90 * time.Second }

// read gathers all that is known now.
func (s *soak) read() (b books, err error) {
	b = books{heard: map[string][]heard{}, journals: map[string][]record{}, ids: map[string]string{}}
	for _, a := range s.agents {
		if b.ids[a.name], b.journals[a.name], err = readJournal(a.config); err != nil {
			return b, err
		}
		if b.heard[a.name], err = readHeard(a.heard); err != nil {
			return b, err
		}
	}
	if b.stored, err = s.readHistory(s.pots, s.began.Add(-farthest-time.Minute), time.Now().Add(farthest+time.Minute)); err != nil {
		return b, err
	}
	err = list(s.site, "/api/v1/losses", func(p *live.Losses) (int, string) {
		b.losses = append(b.losses, p.Losses...)
		return len(p.Losses), p.Next
	})
	for _, name := range s.pots {
		err = errors.Join(err, list(s.site, "/api/v1/pots/"+name+"/cycles", func(p *live.Cycles) (int, string) {
			b.cycles = append(b.cycles, p.Cycles...)
			return len(p.Cycles), p.Next
		}))
	}
	return b, err
}

// stopAll ends the programs in order.
func (s *soak) stopAll() {
	for _, d := range slices.Backward(s.all()) {
		if err := d.stop(); err != nil {
			s.t.Error(err)
		}
	}
	for _, d := range s.all() {
		for _, bad := range []string{"DATA RACE", "panic:", "fatal error:"} {
			if strings.Contains(d.said(), bad) {
				s.t.Errorf("%s printed %q", d.name, bad)
			}
		}
	}
}

// tellLogs is for whoever looks into a failure.
func (s *soak) tellLogs() {
	if to := os.Getenv("SOAKKEEP"); to != "" {
		s.t.Logf("kept in %s: %v", to, tool("cp", "-r", filepath.Join(s.dir, "logs"), filepath.Join(s.dir, "heard"), s.truth, to))
	}
	for _, d := range s.all() {
		s.t.Logf("%s printed last:\n%s", d.name, tail(d.said(), 40))
	}
}

// judge holds everything to everything, and prints the table.
func (s *soak) judge(b books, watch *watcher) {
	t := s.t
	var out strings.Builder
	w := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	row := func(what string, values ...any) {
		fmt.Fprintf(w, "%s\t%s\n", what, strings.TrimSuffix(fmt.Sprintln(values...), "\n"))
	}
	must := func(what string, n, most int, values ...any) {
		verdict := ""
		if n > most {
			verdict = fmt.Sprintf("  MUST BE %d AT MOST", most)
			t.Errorf("%s: %d, must be %d at most", what, n, most)
		}
		row(what, append([]any{fmt.Sprint(n) + verdict}, values...)...)
	}
	host := "agents send whether the server is there or not"
	if s.primary {
		host = "agents wait for the server"
	}
	row("seed", s.storm.seed, "broker", s.broker+",", host)
	row("storm", time.Since(s.began).Round(time.Second), "in all; all pots fresh", s.healed.Round(100*time.Millisecond), "after the storm, all stored",
		s.caughtUp.Round(100*time.Millisecond), "after the readings' end")
	counts := s.storm.counts()
	for _, k := range []string{blowKill, blowFreeze, blowCut, blowFull, blowDown, blowSlow, blowDead, blowStall, blowClock, blowPort} {
		if s.mounts != "" && (k == blowCut || k == blowFull) {
			row("  "+k, "LEFT OUT: no disk can be mounted here:", s.mounts)
			continue
		}
		row("  "+k, counts[k])
	}

	var answered, silent, journaled, journaledOther, twice, unread, freed, dropped int
	gone := map[string]int{} // why what was read is in no journal
	kept := map[string]int{} // of these, what is stored all the same
	var oldest time.Duration // age at its cut of what a cut took
	var strange []string
	inJournal := map[fact]int{}
	read := map[fact]int{}
	for _, a := range s.agents {
		for _, r := range b.journals[a.name] {
			if r.quality == "no-reply" {
				journaledOther++
				continue
			}
			journaled++
			inJournal[r.fact]++
		}
		reaches := s.reaches(b.heard[a.name], inJournal)
		for _, h := range b.heard[a.name] {
			if h.quality == "no-reply" {
				silent++
				continue
			}
			answered++
			read[h.fact]++
			if inJournal[h.fact] > 0 {
				continue
			}
			if h.true.Before(reaches) && b.stored.facts[h.fact] > 0 {
				dropped++
				continue
			}
			why, age := s.why(a, h)
			gone[why]++
			if why == blowCut {
				oldest = max(oldest, age)
			}
			if b.stored.facts[h.fact] > 0 {
				kept[why]++
			}
			if why == blowFull && !s.fullAt(a, h.true) {
				freed++
			}
			if why == "" && len(strange) < 10 {
				strange = append(strange, fmt.Sprintf("%s read %s %s at %s true time (its own %s), and it is in no journal", a.name, h.pot, h.point,
					h.true.UTC().Format("15:04:05.000000"), time.UnixMilli(h.at).UTC().Format("15:04:05.000")))
			}
		}
	}
	// A clock that was set back may have the same millisecond twice, and a vessel at rest the same value: then it was read twice.
	for f, n := range inJournal {
		if read[f] == 0 {
			unread += n
		} else {
			twice += max(0, n-read[f])
		}
	}
	lost, others, more := b.stored.missing(b.journals)
	lostOthers := 0
	for _, n := range others {
		lostOthers += n
	}
	count, doubled, fromNowhere := 0, 0, 0
	notInJournal := 0
	for f, n := range b.stored.facts {
		count += n
		if read[f] == 0 {
			fromNowhere += n
		} else {
			doubled += max(0, n-read[f])
		}
		if inJournal[f] == 0 {
			notInJournal++
		}
	}
	kills := map[string]int{}
	allKills := 0
	for _, a := range s.agents {
		kills[a.name] = len(s.storm.of(a.name, blowKill))
		allKills += kills[a.name]
	}
	row("read: answered by the transducers", answered, "and", silent, "times no answer")
	row("journaled", journaled, "and", journaledOther, "times no answer (none is kept of a pot that is told dead)")
	row("stored", count)
	must("LOST: journaled and not stored", len(lost), 0, "and", lostOthers, "times no answer")
	if lostOthers > 0 {
		t.Errorf("journaled and not stored, that there was no answer: %v", others)
	}
	must("DUPLICATED: stored more often than read", doubled, 0)
	must("  journaled more often than read", twice, 0)
	must("  stored and never read", fromNowhere, 0)
	must("  journaled and never seen to be read", unread, allKills, "(a kill between the two books may part them)")
	row("read and not in a journal", answered-journaled)
	row("  dropped by it for want of room", dropped, "all of them stored; any other is counted below")
	must("  by a kill", gone[blowKill], onePoll*allKills, fmt.Sprintf("of %d kills; a poll each at most. %d of them stored", allKills, kept[blowKill]))
	row("  by a cut of the power", gone[blowCut], fmt.Sprintf("of %d cuts: what was not synced is gone, the oldest read %v before. %d of them had been sent, and are stored: no duplicates",
		len(s.storm.of("quay-1", blowCut))+len(s.storm.of("quay-2", blowCut)), oldest.Round(10*time.Millisecond), kept[blowCut]))
	row("  by a full disk", gone[blowFull], fmt.Sprintf("of %d times: what waited in memory when the agent was ended then, or got no position and was sent without. %d of them stored; %d of them read when there was room again, and the journal had not tried yet",
		len(s.storm.of("quay-1 disk", blowFull))+len(s.storm.of("quay-2 disk", blowFull)), kept[blowFull], freed))
	row("  by a start on a full disk", gone[startedFull], fmt.Sprintf("the agent then runs without a journal. %d of them stored", kept[startedFull]))
	must("  WITHOUT A REASON", gone[""], 0)
	row("stored and not in a journal", notInJournal, "and", more, "times no answer")
	positions, false_ := uint64(0), 0
	for _, l := range b.losses {
		positions += l.To - l.From
		for _, r := range b.journals[l.Agent] {
			if b.ids[l.Agent] == l.Journal && r.position >= l.From && r.position < l.To {
				false_++
			}
		}
	}
	row("losses that the server recorded", len(b.losses), "ranges of", positions, "positions (with those that a start leaves out)")
	must("  of them, positions that hold a record", false_, 0)
	whys := map[string]int{}
	for _, l := range b.losses {
		whys[l.Why] += int(l.To - l.From)
	}
	for why, n := range whys {
		row("  "+why, n)
	}
	presses, late, incomplete := s.presses(), 0, 0
	for _, c := range b.cycles {
		if c.Late {
			late++
		}
		if c.Incomplete {
			incomplete++
		}
	}
	row("cycles recorded", len(b.cycles), fmt.Sprintf("of %d true presses; %d made from late readings, %d incomplete", presses, late, incomplete))
	row("  shown whole by what is stored", b.stored.whole(), "and recorded", s.booked.Round(100*time.Millisecond), "after the readings' end")
	answers := 0
	for _, x := range watch.said {
		answers += len(x.pots)
	}
	vented, wrong := s.vented(watch)
	must("VENTED over 7 kPa", wrong, 0, fmt.Sprintf("of %d answers VENTED, of %d in all", vented, answers))
	for _, d := range s.all() {
		if len(d.ended) > 0 {
			row(d.name+" ended by itself", len(d.ended), "times, the last:", d.ended[len(d.ended)-1])
		}
	}
	w.Flush()
	t.Logf("\n%s", out.String())
	for _, x := range strange {
		t.Log(x)
	}
	for i, r := range lost {
		if i == 10 {
			break
		}
		t.Logf("lost: %s, value %v; stored beside it: %s", first([]record{r}), math.Float32frombits(r.bits), b.stored.beside(r.fact))
	}
}

// startedFull is a reason of its own.
const startedFull = "start on a full disk"

// why says what can have kept a reading of an agent out of its journal, and for a cut how long before it was read.
func (s *soak) why(a *soakAgent, h heard) (kind string, age time.Duration) {
	unwritten, bare := a.program.faults()
	for _, f := range bare {
		if h.true.After(f.from) && h.true.Before(f.to) {
			return startedFull, 0
		}
	}
	// What was not safe when the fault began waits in memory, and goes with the process.
	for _, f := range unwritten {
		if h.true.After(f.from.Add(-syncEvery-syncSlack)) && h.true.Before(f.to) {
			return blowFull, 0
		}
	}
	for _, b := range s.storm.of(a.name, blowCut) {
		if age := b.began.Sub(h.true) + 50*time.Millisecond - s.frozen(a, h.true, b.began); age > 0 && age < syncEvery+syncSlack {
			return blowCut, age
		}
	}
	for _, b := range s.storm.of(a.name, blowKill) {
		if age := b.began.Add(time.Second).Sub(h.true); age > 0 && age < nearKill+time.Second {
			return blowKill, 0
		}
	}
	return "", 0
}

// reaches is the true time back to which a journal reaches, from the first of the readings that it holds; readings of two pots
// may stand in it in the other order, as they are kept together for half a second. On a full disk it drops
// what the server has said that it keeps; with the room that it may take here it drops nothing else.
func (s *soak) reaches(all []heard, inJournal map[fact]int) time.Time {
	for _, h := range all {
		if inJournal[h.fact] > 0 {
			return h.true.Add(time.Second)
		}
	}
	return time.Time{}
}

// fullAt tells whether an agent's disk was full.
func (s *soak) fullAt(a *soakAgent, at time.Time) bool {
	return slices.ContainsFunc(s.storm.of(a.name+" disk", blowFull), func(b blow) bool { return at.After(b.began) && at.Before(b.ended) })
}

// frozen is how long an agent stood still between two moments.
func (s *soak) frozen(a *soakAgent, from, to time.Time) (sum time.Duration) {
	for _, b := range s.storm.of(a.name, blowFreeze) {
		if b.began.After(from) && b.ended.Before(to) {
			sum += b.ended.Sub(b.began)
		}
	}
	return sum
}

// presses counts those of the truth.
func (s *soak) presses() (n int) {
	was := map[string]bool{}
	for _, l := range jsonLines[truth](s.t, s.truth) {
		if l.Pressed && !was[l.Pot] {
			n++
		}
		was[l.Pot] = l.Pressed
	}
	return n
}

// vented counts the answers VENTED, and those given while the vessel held over 7 kPa all the time in which the reading behind
// it may have been made.
func (s *soak) vented(watch *watcher) (said, wrong int) {
	byPot := map[string][]truth{}
	for _, l := range jsonLines[truth](s.t, s.truth) {
		byPot[l.Pot] = append(byPot[l.Pot], l)
	}
	for _, x := range watch.said {
		for name, p := range x.pots {
			if p.Answer.Word != "vented" {
				continue
			}
			said++
			lines := byPot[name]
			since := x.from.Add(-2 * time.Second)
			i, _ := slices.BinarySearchFunc(lines, since, func(l truth, at time.Time) int { return l.T.Compare(at) })
			n, over := 0, 0
			for ; i < len(lines) && !lines[i].T.After(x.from); i++ {
				n++
				if lines[i].VesselPa > 7000 {
					over++
				}
			}
			if n > 0 && over == n {
				if wrong++; wrong > 5 {
					continue
				}
				s.t.Errorf("%s: VENTED at %s while the vessel holds over 7 kPa", name, x.from.UTC().Format("15:04:05.000"))
			}
		}
	}
	return said, wrong
}
