// Package sparkplugtest helps tests that listen to edge nodes.
package sparkplugtest

import (
	"fmt"

	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// Names follows the births of any number of nodes and puts names into their data. The zero value has heard none.
type Names struct {
	nodes map[string]*node
}

type node struct {
	own     sparkplug.Aliases
	devices map[string]*sparkplug.Aliases
	owners  map[uint64]string // of every alias of the node and its devices
}

// Take follows one message and puts the names into it. The error says which rule of aliases it breaks: one alias for two
// metrics of a node, one on what must have none, data that name a metric born with an alias, or an alias never born.
func (n *Names) Take(t sparkplug.Topic, m sparkplug.Message) error {
	key := t.Group + "/" + t.Node
	if n.nodes == nil {
		n.nodes = map[string]*node{}
	}
	of := n.nodes[key]
	if of == nil || t.Kind == sparkplug.NodeBirth {
		of = &node{devices: map[string]*sparkplug.Aliases{}, owners: map[uint64]string{}}
		n.nodes[key] = of
	}
	aliases := &of.own
	if t.Device != "" {
		if of.devices[t.Device] == nil {
			of.devices[t.Device] = &sparkplug.Aliases{}
		}
		aliases = of.devices[t.Device]
	}
	switch t.Kind {
	case sparkplug.NodeBirth, sparkplug.DeviceBirth:
		if err := of.claim(t, m); err != nil {
			return err
		}
		return aliases.Born(m.Metrics)
	case sparkplug.NodeData, sparkplug.DeviceData:
		for _, x := range m.Metrics {
			if x.Aliased && x.Name != "" || x.Type != sparkplug.Unknown {
				return fmt.Errorf("%s: data with both alias and name, or with a data type: %+v", t, x)
			}
		}
		return aliases.Resolve(m.Metrics)
	}
	return nil
}

// claim checks that aliases are unique over a node and all of its devices.
func (n *node) claim(t sparkplug.Topic, m sparkplug.Message) error {
	for _, x := range m.Metrics {
		if !x.Aliased {
			continue
		}
		if x.Name == points.MetricRebirth || x.Name == points.MetricBdSeq {
			return fmt.Errorf("%s: %s has an alias", t, x.Name)
		}
		name := t.Device + "/" + x.Name
		if other, ok := n.owners[x.Alias]; ok && other != name {
			return fmt.Errorf("%s: alias %d is that of %s and of %s", t, x.Alias, other, name)
		}
		n.owners[x.Alias] = name
	}
	return nil
}
