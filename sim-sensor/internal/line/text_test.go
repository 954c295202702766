package line

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/sim-sensor/internal/fault"
)

func template(t *testing.T, text string) *Template {
	t.Helper()
	r, err := ParseTemplate(text)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Numbers by the printf command of coreutils: printf '[%+07.2f]' 12.34 and so on.
func TestTemplateForms(t *testing.T) {
	for _, tt := range []struct {
		form  string
		v     float64
		want  string
		shown float64
	}{
		{"+07.2f", 12.34, "[+012.34]", 12.34},
		{"+07.2f", -0.5, "[-000.50]", -0.5},
		{"7.1f", 687.25, "[  687.2]", 687.2},
		{"-8.3f", 1.5, "[1.500   ]", 1.5},
		{"08.3f", -1.5, "[-001.500]", -1.5},
		{" .0f", 99.5, "[ 100]", 100},
		{"f", 1.5, "[1.500000]", 1.5},
		{"3.1f", 12345.678, "[12345.7]", 12345.7},
		{"-+9.2f", 3, "[+3.00    ]", 3},
	} {
		r := template(t, "[{value:"+tt.form+"}]")
		if got := string(r.Append(nil, tt.v)); got != tt.want {
			t.Errorf("%%%s of %v gives %q, want %q", tt.form, tt.v, got, tt.want)
		}
		if got := r.Shown(tt.v); got != tt.shown {
			t.Errorf("%%%s of %v shows %v, want %v", tt.form, tt.v, got, tt.shown)
		}
	}
	if got := string(template(t, "{value}").Append(nil, float64(float32(101.3)))); got != "101.3" {
		t.Errorf("plain value %q", got)
	}
	r := template(t, "{value:+07.2f} {{x}")
	if got := string(r.Append([]byte("a"), math.NaN())); got != "a   +NaN {x}" || !math.IsNaN(r.Shown(math.NaN())) {
		t.Errorf("no number: %q, %v", got, r.Shown(math.NaN()))
	}
}

// Check characters: the sentence is the textbook example of NMEA 0183, whose check is 47. CRC-16/MODBUS of "123456789"
// is 4B37h by the CRC catalogue, its low byte first 374B; the nine bytes sum up to 477 = 1DDh.
func TestTemplateChecks(t *testing.T) {
	for _, tt := range []struct {
		text string
		v    float64
		want string
	}{
		{"${body}GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,{value:.1f},M,46.9,M,,{/body}*{xor}\r\n", 545.4,
			"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"},
		{"{value:.0f}{crc16}\r", 123456789, "123456789374B\r"},
		{"{value:.0f}{sum}", 123456789, "123456789DD"},
		{":{body}{value:.0f}{/body};{sum}", 123456789, ":123456789;DD"},
		{"{sum} {body}{value:.0f}", 123456789, "DD 123456789"},
		{"{sum} {body}{value:.0f}{/body}\r\n", 123456789, "DD 123456789\r\n"},
	} {
		r := template(t, tt.text)
		if got := string(r.Append(nil, tt.v)); got != tt.want || !r.Checked() {
			t.Errorf("%q gives %q, want %q", tt.text, got, tt.want)
		}
	}
	if template(t, "{value}\r").Checked() {
		t.Error("a text without a check has one")
	}
}

func TestTemplateRefused(t *testing.T) {
	for text, want := range map[string]string{"": "0 values", "psi": "0 values", "{value}{value}": "2 values", "{value": "not closed", "{val}": "{val} is no field",
		"{value:d}": "form", "{value:.12f}": "form", "{value}{xor}{sum}": "single check", "{body}{value}": "single check", "{value:+07.2f} é": "ASCII",
		"{/body}{body}{value}{xor}": "single check", "{body}{xor}{value}{/body}": "single check", "{xor:2}{value}": "no field", strings.Repeat("x", 300) + "{value}": "over"} {
		if _, err := ParseTemplate(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, which does not say %q", text, err, want)
		}
	}
}

// speak is a line of text at 9600 8N1.
func speak(t *testing.T, faults []fault.Fault, gauges ...Text) *server {
	t.Helper()
	m, err := ParseMode("9600 8N1")
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	s, err := newServer(Options{Mode: m, Turnaround: turnaround, Texts: gauges, Faults: fault.NewPlayer(faults, 1), Clock: func() time.Duration { return time.Since(began) }})
	if err != nil {
		t.Fatal(err)
	}
	return &s
}

func holding(v float32) *Cell {
	c := new(Cell)
	c.SetFloat(v)
	return c
}

func TestTextByQuery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := holding(12.34), holding(-1)
		s := speak(t, []fault.Fault{{Window: fault.Window{At: 10 * time.Second, For: 100 * ms}, Kind: fault.Late, Share: 1, By: 150 * ms}},
			Text{Query: "#01\r", Reply: template(t, "P={value:+07.2f} psi*{xor}\r\n"), Cell: a}, Text{Query: "#02\r", Reply: template(t, "{value} bar\r"), Cell: b})
		damaged := 0
		s.talk.(*texts).damaged = func(n int) { damaged += n }
		e := listen(t, s)
		defer e.done()
		const first = "P=+012.34 psi*3C\r\n" // exclusive or by a few lines of Python
		if got := string(e.ask(t, []byte("#01\r"), 100*ms)); got != first {
			t.Errorf("heard %q", got)
		}
		if at, due := e.when(len(first)-1), time.Duration(4+len(first))*10*time.Second/9600+turnaround; at < due-50*time.Microsecond || at > due+50*time.Microsecond {
			t.Errorf("ended at %v, due %v", at, due)
		}
		if got := string(e.ask(t, []byte("#03\r"), 100*ms)); got != "" || damaged != 4 {
			t.Errorf("heard %q from nobody, %d bytes damaged", got, damaged)
		}
		e.ask(t, []byte("#0"), 10*ms)
		if got := string(e.ask(t, []byte("2\r"), 100*ms)); got != "-1 bar\r" {
			t.Errorf("heard %q after a query in two pieces", got)
		}
		if got := string(e.ask(t, []byte("\xff\x00#02\r"), 100*ms)); got != "-1 bar\r" {
			t.Errorf("heard %q after noise", got)
		}
		b.SetSilent(true)
		if got := string(e.ask(t, []byte("#02\r"), 100*ms)); got != "" {
			t.Errorf("heard %q of a silent gauge", got)
		}
		b.SetSilent(false)
		e.ask(t, nil, 9500*ms) // half a second has gone; the fault holds from 10 s on
		e.ask(t, []byte("#01\r"), 40*ms)
		if got := string(e.ask(t, []byte("#02\r"), 40*ms)); got != "" { // both are late
			t.Errorf("heard %q", got)
		}
		if got := string(e.ask(t, nil, 500*ms)); got != first+"-1 bar\r" {
			t.Errorf("heard %q", got)
		}
	})
}

// A gauge that sends by itself does so on time, and each line shows the value of its moment.
func TestTextByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := holding(1)
		s := speak(t, []fault.Fault{{Window: fault.Window{At: 1050 * ms, For: 500 * ms}, Kind: fault.CRC, Share: 1}, {Window: fault.Window{At: 2050 * ms, For: 500 * ms}, Kind: fault.Silence, Share: 1}},
			Text{Every: 100 * ms, Reply: template(t, "{value:.1f}\r\n"), Cell: c})
		e := listen(t, s)
		defer e.done()
		const takes = 5 * 10 * time.Second / 9600
		if got := string(e.ask(t, nil, 350*ms)); got != strings.Repeat("1.0\r\n", 3) {
			t.Fatalf("heard %q", got)
		}
		for i := range 3 {
			if at, due := e.when(5*i+4), time.Duration(i+1)*100*ms+takes; at < due-50*time.Microsecond || at > due+50*time.Microsecond {
				t.Errorf("line %d ended at %v, due %v", i, at, due)
			}
		}
		c.SetFloat(2)
		if got := string(e.ask(t, []byte("hello"), 700*ms)); got != strings.Repeat("2.0\r\n", 7) {
			t.Errorf("heard %q", got)
		}
		bad := e.ask(t, nil, 500*ms)
		if len(bad) != 25 || bytes.Contains(bad, []byte("2.0\r\n")) {
			t.Errorf("spoilt lines: %q", bad)
		}
		e.ask(t, nil, 500*ms)
		if got := string(e.ask(t, nil, 500*ms)); got != "" {
			t.Errorf("heard %q in silence", got)
		}
		if got := string(e.ask(t, nil, 500*ms)); got != strings.Repeat("2.0\r\n", 5) {
			t.Errorf("heard %q after it", got)
		}
	})
}

func TestTextRefused(t *testing.T) {
	r := template(t, "{value}\r")
	for want, gauges := range map[string][]Text{
		"alone":        {{Every: time.Second, Reply: r}, {Query: "a\r", Reply: r}},
		"neither":      {{Reply: r}},
		"both would":   {{Query: "a\r", Reply: r}, {Query: "xa\r", Reply: r}},
		"are the most": {{Query: strings.Repeat("x", 65), Reply: r}},
	} {
		if _, err := newServer(Options{Texts: gauges}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, which does not say %q", err, want)
		}
	}
}

// A template that is taken writes a line of ASCII, the same each time, whose number is the one that it says it shows.
func FuzzTemplate(f *testing.F) {
	f.Add("P={value:+07.2f} psi*{xor}\r\n", 12.34)
	f.Add("{body}{value}{/body}{crc16}{{", -1.0)
	f.Add("{sum}{body} {value: 9.0f}", 1e9)
	f.Fuzz(func(t *testing.T, text string, v float64) {
		r, err := ParseTemplate(text)
		if err != nil || math.Abs(v) > 1e9 {
			return
		}
		line := r.Append(nil, v)
		if !bytes.Equal(line, r.Append([]byte("x"), v)[1:]) {
			t.Fatalf("%q gives two lines: %q", text, line)
		}
		for _, c := range line {
			if c >= 0x80 {
				t.Fatalf("%q gives %q", text, line)
			}
		}
		if shown := r.Shown(v); math.Abs(shown-v) > 0.5+math.Abs(v)*1e-7 { // no digits; a plain value is cut to 24 bits
			t.Fatalf("%q shows %v for %v", text, shown, v)
		}
	})
}
