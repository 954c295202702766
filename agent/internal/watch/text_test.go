package watch_test

import (
	"bytes"
	"errors"
	"log/slog"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/agent/internal/watch"
)

// A gauge of text that is asked, one that is not understood, and one that sends by itself.
const textFile = `agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1"}
buses:
  - port: /dev/asked
    mode: 9600 7E1
    period: 200ms
    text:
      - query: '#01\r'
        read:
          - {pot: cedar, point: vessel, pattern: '(?P<value>[-+][0-9]{3}\.[0-9]{2})', unit: psi, range: 0..200 psi}
      - query: '#02\r'
        read:
          - {pot: cedar, point: hose, pattern: '02 (?P<value>[-+][0-9]{3}\.[0-9]{2})', unit: psi}
  - port: /dev/heard
    mode: 9600 8N1
    period: 200ms
    text:
      - read: [{pot: cedar, point: control, pattern: 'P=(?P<value>-?[0-9]{1,2},[0-9]{2}) bar', unit: bar}]
pots:
  - {name: cedar, vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, points: [vessel, control, hose], units: {pressure: psi}}
`

// texts opens the lines of textFile.
func (l *lines) texts(b config.Bus) (serialport.Port, error) {
	port, far := serialporttest.Pipe()
	l.wg.Go(func() {
		defer far.Close()
		if b.Port == "/dev/heard" {
			for {
				time.Sleep(100 * time.Millisecond)
				if _, err := far.Write([]byte("P=6,89 bar\r\n")); err != nil {
					return
				}
			}
		}
		buf := make([]byte, 64)
		for {
			n, err := far.Read(buf)
			if err != nil {
				return
			}
			answer := "?\r"
			if string(buf[:n]) == "#01\r" {
				answer = "+097.50\r"
			}
			time.Sleep(10 * time.Millisecond)
			if _, err := far.Write([]byte(answer)); err != nil {
				return
			}
		}
	})
	return port, nil
}

func TestLinesOfText(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out, report bytes.Buffer
		l := &lines{}
		c := parse(t, textFile)
		err := watch.Run(t.Context(), c, watch.Options{Out: &out, For: 3 * time.Second, Log: slog.New(slog.DiscardHandler), Open: l.texts})
		if err != nil {
			t.Fatal(err)
		}
		good := make(map[string]float64)
		for _, r := range records(t, out.String()) {
			if r.Quality == "good" {
				good[r.Point] = *r.Pa
			}
		}
		if len(good) != 2 || math.Abs(good["vessel"]-97.5*6894.757293168361) > 1e-6 || math.Abs(good["control"]-689000) > 1e-6 {
			t.Errorf("%v", good)
		}
		err = watch.Live(t.Context(), c, watch.Options{Out: &report, Open: l.texts})
		l.wg.Wait()
		if !errors.Is(err, watch.ErrNotGood) || !strings.Contains(err.Error(), "cedar hose (0 of ") {
			t.Error(err)
		}
		wants(t, strings.Join(strings.Fields(report.String()), " "), "cedar hose: no value in ", "not understood: ", "look at the pattern, which must fit the whole line",
			"line /dev/heard, 9600 8N1: the gauge sends by itself; ", "line /dev/asked, 9600 7E1: 1")
	})
}
