package live

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	msg "gritwatch/protocol/live"
)

// TestParseVectors: what the page's tests send is understood as protocol/live has it.
func TestParseVectors(t *testing.T) {
	files, err := filepath.Glob("../../../protocol/testdata/live/request-*.json")
	if err != nil || len(files) < 4 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var want msg.Request
		if err := json.Unmarshal(text, &want); err != nil {
			t.Fatal(err)
		}
		r, wrong := parse(text)
		if wrong != nil || !reflect.DeepEqual(r, request{want.Subscribe, want.Ack, want.Act}) {
			t.Errorf("%s: %+v, %+v", file, r, wrong)
		}
	}
}

// TestParseAnyRequest: any request comes out as it went in, and a member that nobody knows does not matter outside an act.
func TestParseAnyRequest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringN(0, 40, -1).Filter(utf8.ValidString)
		in := msg.Request{Subscribe: rapid.SliceOfN(text, 0, 4).Draw(t, "names"), Ack: rapid.Uint64().Draw(t, "ack")}
		if rapid.Bool().Draw(t, "acts") {
			a := &msg.ActRequest{Request: rapid.StringN(1, longestRequest, -1).Filter(utf8.ValidString).Draw(t, "request"), Alarm: text.Draw(t, "alarm"), Deed: text.Draw(t, "deed"),
				AlarmAct: msg.AlarmAct{By: text.Draw(t, "by"), Note: text.Draw(t, "note")}}
			if rapid.Bool().Draw(t, "shelves") {
				s := rapid.Float64Range(-1e9, 1e9).Draw(t, "for")
				a.ForS = &s
			}
			in.Act = a
		}
		raw, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		if rapid.Bool().Draw(t, "newer") {
			raw = append([]byte(`{"mood":1,`), raw[1:]...)
			if len(raw) == len(`{"mood":1,}`) {
				raw = []byte(`{"mood":1}`)
			}
		}
		r, wrong := parse(raw)
		if wrong != nil || len(r.names) != len(in.Subscribe) || len(r.names) > 0 && !reflect.DeepEqual(r.names, in.Subscribe) || r.ack != in.Ack || !reflect.DeepEqual(r.act, in.Act) {
			t.Errorf("%s\n%+v %+v", raw, r, wrong)
		}
	})
}

// FuzzParse: no message makes the server panic, nor is it taken in part without a word: it is understood, or refused as a whole act with an id
// that it had itself.
func FuzzParse(f *testing.F) {
	files, _ := filepath.Glob("../../../protocol/testdata/live/request-*.json")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	for _, text := range []string{`{`, `{"act":null}`, `{"act":{"request":"7","for_s":1e999}}`, `{"act":{"request":"7"},"act":{"request":"8"}}`, `{"ack":1.5}`, `{"subscribe":{}}`} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		r, wrong := parse(text)
		if len(r.names) > maxNames {
			t.Errorf("%d names", len(r.names))
		}
		if r.act != nil {
			if n := utf8.RuneCountInString(r.act.Request); n == 0 || n > longestRequest {
				t.Errorf("an act whose request has %d characters", n)
			}
			if !json.Valid(text) {
				t.Error("an act of what is no JSON")
			}
		}
		if wrong == nil {
			return
		}
		if wrong.Type != "refused" || wrong.Problem == nil || wrong.Problem.Status < 400 || wrong.Problem.Detail == "" || wrong.Alarm != nil || utf8.RuneCountInString(wrong.Request) > longestRequest {
			t.Errorf("%+v", wrong)
		}
		if wrong.Request != "" && r.act != nil {
			t.Error("an act is refused and taken")
		}
	})
}

// TestPaceInTime: never more than the burst and what time has brought since.
func TestPaceInTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := pace{left: actsAtOnce}
		start := time.Unix(0, 0)
		now, taken := start, 0
		for _, gap := range rapid.SliceOfN(rapid.IntRange(0, 3000), 1, 200).Draw(t, "gaps") { // ms
			now = now.Add(time.Duration(gap) * time.Millisecond)
			if p.take(now) {
				taken++
			}
			if most := actsAtOnce + now.Sub(start).Seconds()/actEvery.Seconds(); float64(taken) > most+1e-6 {
				t.Fatalf("%d taken in %v", taken, now.Sub(start))
			}
		}
	})
}
