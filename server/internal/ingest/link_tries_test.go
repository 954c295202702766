package ingest_test

import (
	"context"
	"log/slog"
	"net"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"gritwatch/internal/brokerlink"
	"gritwatch/server/internal/ingest"
)

// TestNoStorm: a broker that is away is asked every 5 s in the end, one that refuses the password every 30 s, and the log says
// each once a minute.
func TestNoStorm(t *testing.T) {
	for name, c := range map[string]struct {
		dial        func() (net.Conn, error)
		least, most int32 // tries in 10 min; each wait is from half to one and a half of what is due
		text        string
	}{
		"away": {func() (net.Conn, error) { return nil, &net.OpError{Op: "dial", Err: syscall.ECONNREFUSED} }, 100, 150,
			"refuses the connection: is it running?"},
		"password": {func() (net.Conn, error) {
			ours, theirs := net.Pipe()
			go func() {
				defer theirs.Close()
				if _, err := packets.ReadPacket(theirs); err == nil {
					ack := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
					ack.ReturnCode = packets.ErrRefusedBadUsernameOrPassword
					_ = ack.Write(theirs)
				}
			}()
			return ours, nil
		}, 19, 35, `refuses user \"server\" or its password`},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var tries atomic.Int32
				var out syncBuffer
				log := slog.New(slog.NewTextHandler(&out, nil))
				h := ingest.New(ingest.Options{Site: "harrow-quay", Sink: &sink{}, Log: log,
					Link: brokerlink.New(brokerlink.Settings{URL: "mqtt://10.0.0.5:1883", User: "server", Password: "x"}, log),
					Dial: func(context.Context) (net.Conn, error) { tries.Add(1); return c.dial() }})
				ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
				defer cancel()
				if err := h.Run(ctx); err != nil {
					t.Error(err)
				}
				if n := tries.Load(); n < c.least || n > c.most {
					t.Errorf("%d tries in 10 min, want %d to %d", n, c.least, c.most)
				}
				if n := strings.Count(out.String(), c.text); n < 7 || n > 11 {
					t.Errorf("said %d times in 10 min", n)
				}
			})
		})
	}
}
