package dashboard

import (
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
)

func TestDistOpens(t *testing.T) {
	page, err := fs.ReadFile(Dist(), "index.html")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), "gritwatch") {
		t.Errorf("index.html does not name the program: %.200s", page)
	}
	if strings.Contains(strings.ToLower(string(page)), "vented") {
		t.Error("the page as served states an answer; only a fresh frame may")
	}
}

func TestUnbuiltSaysHow(t *testing.T) {
	page, err := fs.ReadFile(orUnbuilt(fstest.MapFS{".gitkeep": {}}), "index.html")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), "make build") {
		t.Errorf("the stand-in does not say how to build the page: %s", page)
	}
}

func TestBuiltIsServed(t *testing.T) {
	dist := fstest.MapFS{"index.html": {Data: []byte("built")}, "assets/index.js": {Data: []byte("js")}}
	for name, want := range map[string]string{"index.html": "built", "assets/index.js": "js"} {
		got, err := fs.ReadFile(orUnbuilt(dist), name)
		if err != nil || string(got) != want {
			t.Errorf("%s = %q, %v; want %q", name, got, err, want)
		}
	}
}
