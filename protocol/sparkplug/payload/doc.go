// Package payload is the protobuf form of a Sparkplug B payload, generated from payload.proto; package sparkplug
// wraps it and is what others use.
package payload
