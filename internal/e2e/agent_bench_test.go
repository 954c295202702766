package e2e_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// BenchmarkAgent is what the real agent costs that reads six points 20 times a second and publishes them: on one
// module, six neighbouring registers in one request, and on six transmitters, a request each.
func BenchmarkAgent(b *testing.B) {
	const points = "[{supply: {range: 0..200 psi}}, {separator: {range: 0..200 psi}}, {vessel: {range: 0..200 psi}}, {hose: {range: 0..200 psi}}, {nozzle: {range: 0..200 psi}}, {control: {range: 0..200 psi}}]"
	pot := fmt.Sprintf("name: alder, %s, points: %s", potKeys, points)
	names := strings.Fields("supply separator vessel hose nozzle control")
	module := func(row string) (out string) {
		for i, n := range names {
			out += fmt.Sprintf(row, n, 304+i)
		}
		return out
	}
	six := func(head, row string) (out string) {
		for i, n := range names {
			out += fmt.Sprintf(head, 21+i) + fmt.Sprintf(row, n) + "]}\n"
		}
		return out
	}
	for _, c := range []struct{ name, sim, agent string }{
		{"module",
			"      - {unit: 9, kind: module, counts: 0..27648, current: 0..20 mA, channels: [" + module("{pot: alder, point: %s, address: %d}, ") + "]}\n",
			"      - {unit: 9, read: [" + module("{pot: alder, point: %s, input: %d, type: int16, counts: 0..27648, current: 0..20 mA}, ") + "]}\n"},
		{"transmitters",
			six("      - {unit: %d, kind: transmitter, channels: [", "{pot: alder, point: %s, address: 10, order: high-first, unit: psi}"),
			six("      - {unit: %d, read: [", "{pot: alder, point: %s, input: 10, type: float32, order: high-first, unit: psi}")},
	} {
		b.Run(c.name, func(b *testing.B) {
			s := newSite(b)
			s.write("sim.yaml", "about: a pot\npots:\n  - {"+pot+", script: {cycle: {press: 14 s, rest: 16 s, start: 1 s}}}\nlines:\n  - link: $DIR/line\n    mode: 115200 8E1\n    turnaround: 2 ms\n    units:\n"+c.sim)
			s.write("site.yaml", "site: harrow-quay\nlisten: $HTTP\nbroker: {embedded: \"$MQTT\"}\ndata: $DIR/data\npots:\n  - {agent: quay-1, "+pot+"}\n")
			s.write("agent.yaml", "agent: quay-1\nsite: harrow-quay\nbroker: {url: \"mqtt://$MQTT\"}\njournal: $DIR/journal\nsimulated: true\nbuses:\n  - port: $DIR/line\n    mode: 115200 8E1\n    turnaround: 2 ms\n    period: 50ms\n    units:\n"+c.agent+"pots:\n  - {"+pot+"}\n")
			s.start("gritwatch-sim", "run", "--config", "sim.yaml").says("lines ready", soon)
			s.start("gritwatch-server", "run", "--config", "site.yaml").says("dashboard: ", soon)
			agent := s.start("gritwatch-agent", "run", "--config", "agent.yaml")
			agent.says("port opened", soon)
			for b.Loop() {
				before, start := agent.onCPU(b), time.Now()
				time.Sleep(20 * time.Second) // what a process costs in real time takes real time
				cpu := agent.onCPU(b) - before
				b.ReportMetric(100*float64(cpu)/float64(time.Since(start)), "%core")
				b.ReportMetric(agent.resident(b), "MB")
			}
		})
	}
}

// onCPU is the processor time that the program's threads have used (scheduler statistics of the kernel, which are
// exact; the times of proc_pid_stat(5) are sampled, and a program that wakes up with the clock is sampled too often).
func (p *program) onCPU(b *testing.B) (sum time.Duration) {
	b.Helper()
	threads, err := filepath.Glob(filepath.Join("/proc", strconv.Itoa(p.cmd.Process.Pid), "task", "*", "schedstat"))
	if err != nil || len(threads) == 0 {
		b.Fatalf("no thread of the program is to be seen: %v", err)
	}
	for _, path := range threads {
		text, err := os.ReadFile(path)
		if err != nil {
			b.Fatal(err)
		}
		ns, err := strconv.ParseInt(strings.Fields(string(text))[0], 10, 64)
		if err != nil {
			b.Fatal(err)
		}
		sum += time.Duration(ns)
	}
	return sum
}

// resident is the program's memory in MB (proc_pid_status(5), VmRSS).
func (p *program) resident(b *testing.B) float64 {
	b.Helper()
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(p.cmd.Process.Pid), "status"))
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) == 3 && f[0] == "VmRSS:" {
			kB, err := strconv.Atoi(f[1])
			if err != nil {
				b.Fatal(err)
			}
			return float64(kB) / 1000
		}
	}
	b.Fatal("no VmRSS")
	return 0
}
