package app_test

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gritwatch/agent/internal/app"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// agentOfATest is the child of TestKilledAgent: a whole agent, which prints what it reads.
// Lively: pressures change so much that each poll is told at once, and nothing waits for a flush.
func agentOfATest(t *testing.T, dir, broker string, lively bool) {
	text := strings.NewReplacer("JOURNAL", dir, "127.0.0.1:1883", broker, "period: 200ms", "period: 100ms", "flush: 500ms", "flush: 1 s").Replace(file)
	c, err := config.Parse("agent.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	p := &plant{}
	go func() {
		for i := 0; ; i++ {
			p.set(func(p *plant) {
				p.vessel, p.vessel2 = 300+rand.Float64(), 300+rand.Float64()
				if lively {
					p.vessel, p.pressed = rand.Float64()*600, i%9 == 0
				}
			})
			time.Sleep(17 * time.Millisecond)
		}
	}()
	if err := app.Run(t.Context(), c, app.Options{Log: slog.New(slog.NewTextHandler(os.Stderr, nil)),
		Open: func(config.Bus) (serialport.Port, error) {
			port, far := serialporttest.Pipe()
			go rtutest.Slave(far, p.answer)
			return port, nil
		},
		Tap: func(pot string, s points.Sample, _ vent.Word) {
			fmt.Fprintf(os.Stdout, "read %s %d %d %d %t %v\n", pot, s.Point, s.Quality, int64(s.At), s.Pressed, float32(s.Value))
		}}); err != nil {
		t.Fatal(err)
	}
}

// A taken reading, as both the line and the wire have it.
type taken struct {
	pot     string
	point   points.Point
	quality points.Quality
	at      int64 // ms
	pressed bool
	value   float32
}

func takenOf(pot string, s points.Sample) taken {
	x := taken{pot, s.Point, s.Quality, int64(s.At) / 1000, s.Pressed, float32(s.Value)}
	if pot == "birch" && s.Point == points.Control {
		x.value = 0
	} else {
		x.pressed = false
	}
	return x
}

// An agent killed again and again, with a broker and without: what the lines gave is in the journal, and can be asked for, every
// reading once, under one position that never changes; but for what was read in the moment of a kill, one poll at most.
func TestKilledAgent(t *testing.T) {
	if dir := os.Getenv("AGENT_OF_A_TEST"); dir != "" {
		agentOfATest(t, dir, os.Getenv("BROKER_OF_A_TEST"), os.Getenv("LIVELY_TEST") != "")
		return
	}
	b := newBroker(t)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	go func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			select {
			case b.conns <- c:
			case <-b.closed:
				c.Close()
			}
		}
	}()
	o := observe(t, b)
	defer b.server.Close()
	defer o.client.Disconnect(100)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	dir := filepath.Join(t.TempDir(), "journal")

	var lives [][]taken
	live := func(broker string, ends func(read int) bool, kill func(*os.Process) error) {
		t.Helper()
		child := exec.CommandContext(ctx, self, "-test.run=^TestKilledAgent$")
		child.Env = append(os.Environ(), "AGENT_OF_A_TEST="+dir, "BROKER_OF_A_TEST="+broker)
		if len(lives)%4 == 3 {
			child.Env = append(child.Env, "LIVELY_TEST=1")
		}
		said, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		var read []taken
		killed := false
		for lines := bufio.NewScanner(said); lines.Scan(); {
			var x taken
			if n, _ := fmt.Sscanf(lines.Text(), "read %s %d %d %d %t %v", &x.pot, &x.point, &x.quality, &x.at, &x.pressed, &x.value); n < 6 {
				continue
			}
			s := points.Sample{Point: x.point, Quality: x.quality, At: si.Instant(x.at), Pressed: x.pressed, Value: si.GaugePressure(x.value)}
			read = append(read, takenOf(x.pot, s))
			if !killed && ends(len(read)) {
				killed = true
				if err := kill(child.Process); err != nil {
					t.Fatal(err)
				}
			}
		}
		_ = child.Wait() // killed
		lives = append(lives, read)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range 6 {
		broker := listener.Addr().String()
		if i%3 == 1 {
			broker = "127.0.0.1:1"
		}
		n := 20 + rng.IntN(60) // of 40 a second
		live(broker, func(read int) bool { return read >= n }, (*os.Process).Kill)
	}

	// The last life answers a request for everything.
	before, end := len(o.heard()), uint64(0)
	answered := func(int) bool {
		for _, h := range o.heard()[before:] {
			switch {
			case h.topic.Kind == sparkplug.NodeBirth && end == 0:
				id, _ := h.message.Find(points.MetricJournalID).Value.Text()
				end, _ = number(h.message, points.MetricJournalNext)
				ask, err := sparkplug.EncodeCommand(1, []sparkplug.Metric{sparkplug.Str(points.MetricReplayID, 1, id),
					sparkplug.Uint(points.MetricReplayFrom, 1, 0), sparkplug.Uint(points.MetricReplayTo, 1, end)})
				if err != nil {
					t.Fatal(err)
				}
				o.wait(o.client.Publish("spBv1.0/harrow-quay/NCMD/quay-1", 0, false, ask))
			case end > 0 && reaches(h.message, end):
				return true
			}
		}
		return false
	}
	live(listener.Addr().String(), answered, func(p *os.Process) error { return p.Signal(os.Interrupt) })

	at := map[uint64]taken{}
	history, void := map[uint64]int{}, uint64(0)
	for _, h := range o.heard() {
		if from, ok := number(h.message, points.MetricJournalVoidFrom); ok && h.topic.Kind == sparkplug.NodeData {
			to, _ := number(h.message, points.MetricJournalVoidTo)
			for p := from; p < to; p++ {
				history[p]++
				void++
			}
		}
		first, ok := number(h.message, points.MetricJournalPosition)
		if !ok || h.topic.Kind != sparkplug.DeviceData {
			continue
		}
		for _, m := range h.message.Metrics {
			s, ok := m.Sample()
			if !ok {
				continue
			}
			x := takenOf(h.topic.Device, s)
			if before, twice := at[first]; twice && before != x {
				t.Fatalf("position %d is %+v, and was %+v", first, x, before)
			}
			at[first] = x
			if m.Historical {
				history[first]++
			}
			first++
		}
	}
	for p := range end {
		if history[p] != 1 {
			t.Fatalf("position %d of %d is answered %d times", p, end, history[p])
		}
	}
	times := map[taken]int{}
	for _, x := range at {
		times[x]++
	}
	read := 0
	for i, l := range lives[:len(lives)-1] {
		var lost []taken
		for _, x := range l {
			if times[x] > 1 {
				t.Errorf("life %d: %+v has %d positions", i, x, times[x])
			}
			if times[x] == 0 {
				lost = append(lost, x)
			}
		}
		read += len(l)
		if len(lost) > 8 { // a poll of all points is 4; a busy machine may let the slate wait for another
			t.Errorf("life %d: %d of %d readings are lost: %+v", i, len(lost), len(l), lost)
		}
		for _, x := range lost {
			if last := l[len(l)-1]; last.at-x.at > 200 {
				t.Errorf("life %d: %+v is lost, %d ms before the kill", i, x, last.at-x.at)
			}
		}
		t.Logf("life %d: %d readings, %d lost", i, len(l), len(lost))
	}
	if read < 200 || void == 0 {
		t.Errorf("%d readings, %d void positions: too few to try anything", read, void)
	}
}

func number(m sparkplug.Message, name string) (uint64, bool) {
	x := m.Find(name)
	if x == nil || x.Null {
		return 0, false
	}
	return x.Value.Uint()
}

// reaches tells whether a message answers the last position before end.
func reaches(m sparkplug.Message, end uint64) bool {
	if to, ok := number(m, points.MetricJournalVoidTo); ok && to >= end {
		return true
	}
	first, ok := number(m, points.MetricJournalPosition)
	n, _ := number(m, points.MetricJournalCount)
	return ok && m.Metrics[0].Historical && first+n >= end
}
