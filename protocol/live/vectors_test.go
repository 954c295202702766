package live_test

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"testing"

	"gritwatch/protocol/live"
)

// The vectors are read by the page's tests too: both sides must take the same bytes for the same message. Decoding
// is strict and encoding gives back every byte but white space, so a field that only one side knows fails here.
func TestVectorsRoundTrip(t *testing.T) {
	for pattern, message := range map[string]func() any{
		"frame-*.json":   func() any { return new(live.Frame) },
		"request-*.json": func() any { return new(live.Request) },
		"outcome-*.json": func() any { return new(live.Outcome) },
	} {
		files, err := filepath.Glob(filepath.Join("..", "testdata", "live", pattern))
		if err != nil || len(files) < 3 {
			t.Fatalf("%s: %d files, %v", pattern, len(files), err)
		}
		for _, file := range files {
			t.Run(filepath.Base(file), func(t *testing.T) { roundTrip(t, file, message()) })
		}
	}
}

func roundTrip(t *testing.T, file string, message any) {
	raw, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(message); err != nil {
		t.Fatal(err)
	}
	if _, err := dec.Token(); err != io.EOF {
		t.Fatalf("more than one message: %v", err)
	}
	got, err := json.Marshal(message)
	if err != nil {
		t.Fatal(err)
	}
	var want bytes.Buffer
	if err := json.Compact(&want, raw); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want.Bytes()) {
		t.Errorf("encoded again:\n%s\nwant:\n%s", got, want.Bytes())
	}
}
