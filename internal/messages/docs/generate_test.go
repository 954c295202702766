package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
)

func TestGeneratedFileIsCurrent(t *testing.T) {
	out := filepath.Join(t.TempDir(), "comments.go")
	if err := run([]string{"-in", "../../../protocol/live", "-out", out}, t.Output()); err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile("../comments.gen.go")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("internal/messages/comments.gen.go is stale: run go generate ./internal/messages")
	}
	if err := run([]string{"-in", "nowhere"}, t.Output()); err == nil {
		t.Error("a missing folder was read")
	}
}
