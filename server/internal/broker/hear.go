package broker

import (
	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Hear hands every message of the topics that a filter names to take, until end is called: inside the program, where a
// connection would have each message written and read once more, and would lose what finds its queue full. take is called by
// the goroutine that reads the publisher's connection, so that the messages of one connection come in order, and nothing more
// is read from a publisher for whom take waits. It may be called from many goroutines at once, and a last time while end is
// called. What is retained is given at
// the beginning, and told as such. No topic may match two of the filters, and one Hear at a time.
func (b *Broker) Hear(filters []string, take func(topic string, payload []byte, retained bool)) (end func()) {
	hear := func(_ *mqtt.Client, _ packets.Subscription, pk packets.Packet) { take(pk.TopicName, pk.Payload, false) }
	for i, f := range filters {
		b.server.Topics.InlineSubscribe(mqtt.InlineSubscription{Subscription: packets.Subscription{Filter: f, Identifier: i + 1}, Handler: hear})
		for _, pk := range b.server.Topics.Messages(f) {
			take(pk.TopicName, pk.Payload, true)
		}
	}
	return func() {
		for i, f := range filters {
			b.server.Topics.InlineUnsubscribe(i+1, f)
		}
	}
}
