package app_test

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/gorilla/websocket"
	"golang.org/x/sys/unix"

	"gritwatch/protocol/live"
	"gritwatch/server/internal/app"
	"gritwatch/server/internal/records"
)

// startIn runs a site on free ports over a folder; stop ends it and waits.
func startIn(t *testing.T, data string) (web, broker string, stop func()) {
	t.Helper()
	var out buffer
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	c := site(t, "127.0.0.1:0", "127.0.0.1:0", data)
	go func() {
		done <- app.Run(ctx, c, app.Options{Out: &out, Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Page: fstest.MapFS{"index.html": {Data: []byte("the page")}}})
	}()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Log(err) // what was stored last may be missing
		}
	})
	t.Cleanup(stop)
	eventually(t, "addresses on standard output", func() bool {
		n, _ := fmt.Sscanf(out.String(), "dashboard: http://%s\nbroker: mqtt://%s\n", &web, &broker)
		return n == 2
	})
	// What is published before the server has subscribed is heard by nobody.
	// A full disk keeps it from being ready.
	linked := regexp.MustCompile(`(?m)^gritwatch_broker_link_up\b.* 1$`)
	eventually(t, "linked to the broker", func() bool { _, text := get(t, web, "/metrics"); return linked.MatchString(text) })
	return web, broker, stop
}

// listen connects a page, which acknowledges what it gets, and gives the alarms of each frame that has some.
func listen(t *testing.T, web string) <-chan []live.StandingAlarm {
	t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws://"+web+"/api/v1/live", http.Header{"Origin": {"http://" + web}})
	if err != nil {
		t.Fatal(err)
	}
	heard := make(chan []live.StandingAlarm, 100)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			var f live.Frame
			if conn.ReadJSON(&f) != nil || conn.WriteJSON(live.Request{Ack: f.Seq}) != nil {
				return
			}
			if f.Alarms != nil {
				heard <- f.Alarms
			}
		}
	}()
	t.Cleanup(func() { conn.Close(); <-done })
	return heard
}

// within waits for an alarm on the page, and tells how long that took.
func within(t *testing.T, heard <-chan []live.StandingAlarm, kind string, most time.Duration) live.StandingAlarm {
	t.Helper()
	start, deadline := time.Now(), time.After(most)
	for {
		select {
		case list := <-heard:
			for _, a := range list {
				if a.Alarm == kind {
					t.Logf("%s on the page after %v", kind, time.Since(start).Round(time.Millisecond))
					return a
				}
			}
		case <-deadline:
			t.Fatalf("no %s on the page within %v", kind, most)
		}
	}
}

// overPressure has alder's readings over its rating, live, and waits until the page has the alarm.
func overPressure(t *testing.T, web, broker string) live.StandingAlarm {
	t.Helper()
	heard := listen(t, web)
	a := join(t, broker, "quay-1")
	c := site(t, "127.0.0.1:0", "127.0.0.1:0", "x")
	a.born("alder", c.Pots[0].Vent().Digest())
	a.echo()
	a.data("alder", 6e5)
	eventually(t, "pressurised", func() bool { return getPot(t, web, "alder").Answer.Word == "pressurised" })
	for range 8 { // the watch goes by a mean
		a.data("alder", 1.2e6)
		time.Sleep(50 * time.Millisecond)
	}
	return within(t, heard, "over-pressure", 3*time.Second) // what waits for the disk waits longer
}

func acknowledge(t *testing.T, web, id string) live.AlarmDetail {
	t.Helper()
	res, err := http.Post("http://"+web+"/api/v1/alarms/"+id+"/acknowledge", "application/json", strings.NewReader(`{"by":"R. Malone"}`))
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var a live.AlarmDetail
	if err := json.NewDecoder(res.Body).Decode(&a); err != nil || res.StatusCode != 200 {
		t.Fatalf("%d: %v", res.StatusCode, err)
	}
	return a
}

// TestStalledRecords: somebody else holds the file of the records, so that nothing can be written to it. An alarm is on the page all the same, at
// once; an acknowledgement counts, and says that it is not stored; and all of it is stored once the file is free.
func TestStalledRecords(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	web, broker, stop := startIn(t, data)
	files, err := filepath.Glob(filepath.Join(data, "records", "*.db"))
	if err != nil || len(files) != 1 {
		t.Fatalf("%v, %v", files, err)
	}
	db, err := sql.Open("sqlite", "file:"+files[0])
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	x := overPressure(t, web, broker)
	if a := acknowledge(t, web, x.ID); a.Standing == nil || a.Standing.State != "acknowledged" || a.Fault == "" {
		t.Errorf("%+v", a)
	}
	if _, err := db.Exec("ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	stop()
	recorded(t, data, x.ID)
}

// recorded checks that an alarm and its acknowledgement are stored after all.
func recorded(t *testing.T, data, id string) {
	t.Helper()
	r, err := records.Open(records.Folder(data), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if a, ok, err := r.Alarm(t.Context(), id); err != nil || !ok || len(a.Transitions) != 2 || a.Transitions[1].By != "R. Malone" {
		t.Errorf("stored: %+v, %t, %v", a, ok, err)
	}
}

// TestFullDiskDelaysNoAlarm: the disk takes not one byte more. It needs a disk of its own, and so the right to mount one.
func TestFullDiskDelaysNoAlarm(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=64m"); err != nil {
		t.Skipf("no disk of its own: %v", err)
	}
	defer func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	}()
	web, broker, stop := startIn(t, dir)
	defer stop()
	f, err := os.Create(filepath.Join(dir, "filler"))
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = f.Write(make([]byte, 64<<10))
	}
	f.Close()
	x := overPressure(t, web, broker)
	if a := acknowledge(t, web, x.ID); a.Standing == nil || a.Standing.State != "acknowledged" || a.Fault == "" {
		t.Errorf("%+v", a)
	}
	if err := os.Remove(f.Name()); err != nil {
		t.Fatal(err)
	}
	stop()
	recorded(t, dir, x.ID)
}
