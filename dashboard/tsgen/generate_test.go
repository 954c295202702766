package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
)

const generated = "../src/lib/protocol/types.gen.ts"

func TestGeneratedFileIsCurrent(t *testing.T) {
	want, err := generate()
	if err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(generated)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("dashboard/src/lib/protocol/types.gen.ts is stale: run go generate ./dashboard")
	}
}

func TestRunWritesTheFile(t *testing.T) {
	out := filepath.Join(t.TempDir(), "types.ts")
	if err := run([]string{"-out", out}, t.Output()); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range vent.AllCodes() {
		if !bytes.Contains(got, []byte(quote(c.Sentence()))) {
			t.Errorf("the sentence of %s is missing", c)
		}
	}
	if err := run([]string{"-nonsense"}, t.Output()); err == nil {
		t.Error("an unknown flag was taken")
	}
}

// The vectors stand for what the server sends, so their words and codes must be ones that package vent knows, and
// a vented answer stands alone.
func TestVectorsUseKnownWords(t *testing.T) {
	files, err := filepath.Glob("../../protocol/testdata/live/frame-*.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("no vectors: %v", err)
	}
	known := map[string]bool{}
	for _, c := range vent.AllCodes() {
		known[c.String()] = true
	}
	seen := map[string]bool{}
	for _, file := range files {
		raw, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var f live.Frame
		if err := json.Unmarshal(raw, &f); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		for _, p := range f.Pots {
			word, err := vent.ParseWord(p.Answer.Word)
			if err != nil {
				t.Errorf("%s: %s: %v", file, p.Name, err)
			}
			seen[p.Answer.Word] = true
			if (word == vent.Vented) != (len(p.Answer.Because) == 0) && word != vent.Pressurised {
				t.Errorf("%s: %s: %s because %v", file, p.Name, word, p.Answer.Because)
			}
			for _, c := range p.Answer.Because {
				if !known[c] {
					t.Errorf("%s: %s: %q is not a code", file, p.Name, c)
				}
			}
		}
	}
	if len(seen) != 3 {
		t.Errorf("the vectors show only the words %v", seen)
	}
}
