package broker_test

import (
	"context"
	"net"
	"net/url"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/server/internal/broker"
)

// open is how the MQTT library asks for a connection of the server's own.
func open(b *broker.Broker) mqtt.OpenConnectionFunc {
	return func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		return b.Dial(ctx)
	}
}
