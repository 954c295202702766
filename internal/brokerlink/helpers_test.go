package brokerlink_test

import (
	"context"
	"net"
	"net/url"
	"syscall"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/internal/brokerlink"
)

var errno = map[string]syscall.Errno{"ENETUNREACH": syscall.ENETUNREACH, "EHOSTUNREACH": syscall.EHOSTUNREACH}

// dialer is how the MQTT library asks for a connection.
func dialer(l *brokerlink.Link, timeout time.Duration) mqtt.OpenConnectionFunc {
	return func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		ctx, cancel := context.WithTimeout(context.Background(), timeout)
		defer cancel()
		return l.Dial(ctx)
	}
}
