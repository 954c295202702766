package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // a machine of a site may have no time zones of its own

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/yamlfile"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/alertmanager"
	"gritwatch/server/internal/notify/mail"
	"gritwatch/server/internal/notify/outbox"
	"gritwatch/server/internal/notify/webhook"
)

// A Receiver is somebody outside who is told of alarms. One of Webhook, Mail and Alertmanager is set.
type Receiver struct {
	Name         string
	Webhook      *webhook.Settings
	Mail         *mail.Settings
	Alertmanager *alertmanager.Settings

	Policy outbox.Policy
	Zone   *time.Location // of times in words
}

// Kind is the way in which it is told, and Where the host: nothing secret.
func (r *Receiver) Kind() string {
	switch {
	case r.Webhook != nil:
		return "webhook"
	case r.Mail != nil:
		return "mail"
	}
	return "alertmanager"
}

// Where is the host of the receiver, and whom it concerns; nothing secret.
func (r *Receiver) Where() string {
	switch {
	case r.Webhook != nil:
		return r.Webhook.Where()
	case r.Mail != nil:
		return r.Mail.Where() + " to " + strings.Join(r.Mail.To, ", ")
	}
	return r.Alertmanager.Where()
}

const (
	maxReceivers = 50
	// What is not critical waits a little for what belongs to it; a mail is read by a person, who gets fewer so.
	usualGather, mailGather = 2 * time.Second, 30 * time.Second
	longestGather           = time.Hour
)

// readNotify reads who outside is told of alarms. The pots must have been read.
func (c *Config) readNotify(m yamlfile.Map) {
	if !m.Has("notify") {
		return
	}
	list := m.List("notify")
	if len(list) > maxReceivers {
		m.Fail("notify", fmt.Sprintf("are %d receivers", len(list)), fmt.Sprintf("at most %d are told", maxReceivers))
		return
	}
	for _, v := range list {
		rm := v.Map()
		r := Receiver{Name: name(rm, "name", "foreman"), Zone: time.Local}
		if r.Name != "" && slices.ContainsFunc(c.Notify, func(x Receiver) bool { return x.Name == r.Name }) {
			rm.Fail("name", r.Name+" is there twice", "give each receiver a name of its own")
		}
		ways := 0
		for _, way := range []string{"webhook", "mail", "alertmanager"} {
			if rm.Has(way) {
				ways++
			}
		}
		switch {
		case rm.Field() == "":
		case ways == 0:
			rm.Fail("webhook", "is missing", "write one of webhook, mail and alertmanager")
		case ways > 1:
			rm.Fail("webhook", "stands beside another way", "write one of webhook, mail and alertmanager a receiver, and a receiver for each")
		}
		r.Policy.Gather = usualGather
		switch {
		case rm.Has("webhook"):
			r.Webhook = webhook.Read(rm.Map("webhook"))
			r.Policy.Acts = true
		case rm.Has("mail"):
			r.Mail = mail.Read(rm.Map("mail"))
			r.Policy.Gather = mailGather
		case rm.Has("alertmanager"):
			r.Alertmanager = alertmanager.Read(rm.Map("alertmanager"))
			r.Policy.Acts, r.Policy.Mixed, r.Policy.Refresh = true, true, alertmanager.Refresh
		}
		c.readPolicy(rm, &r)
		c.Notify = append(c.Notify, r)
	}
}

// readPolicy reads what a receiver is told, and when.
func (c *Config) readPolicy(m yamlfile.Map, r *Receiver) {
	if m.Has("priority") {
		r.Policy.Least = yamlfile.Scalar(m, "priority", "high", alarm.ParsePriority)
	}
	if m.Has("pots") {
		r.Policy.Pots, r.Policy.Agents = map[string]bool{}, map[string]bool{}
		for _, v := range m.List("pots") {
			p := v.Text()
			i := slices.IndexFunc(c.Pots, func(x Pot) bool { return x.Name == p })
			if i < 0 {
				if p != "" {
					v.Fail(fmt.Sprintf("%q is no pot of this file", p), "")
				}
				continue
			}
			r.Policy.Pots[p], r.Policy.Agents[c.Pots[i].Agent] = true, true
		}
		if len(m.List("pots")) == 0 {
			m.Fail("pots", "are none", "name the pots, or take the key out for all")
		}
	}
	if m.Has("acts") {
		r.Policy.Acts = m.Bool("acts")
		if r.Alertmanager != nil {
			m.Fail("acts", "has no use here", "an Alertmanager is always told how things stand")
		}
	}
	if m.Has("gather") {
		if r.Policy.Gather = m.Duration("gather"); r.Policy.Gather > longestGather {
			m.Fail("gather", fmt.Sprintf("%v is more than %v", r.Policy.Gather, longestGather), "")
		}
	}
	if m.Has("zone") {
		r.Zone = yamlfile.Scalar(m, "zone", "Europe/Lisbon", func(s string) (*time.Location, error) {
			z, err := time.LoadLocation(s)
			if err != nil || s == "" {
				return time.Local, fmt.Errorf("%q is not a time zone known here; write for example Europe/Lisbon or UTC", s)
			}
			return z, nil
		})
	}
	if m.Has("quiet") {
		q := m.Map("quiet")
		r.Policy.Quiet = outbox.Hours{From: timeOfDay(q, "from", "22:00"), To: timeOfDay(q, "to", "06:00"), Zone: r.Zone}
		if q.Field() != "" && q.Has("from") && q.Has("to") && r.Policy.Quiet.From == r.Policy.Quiet.To {
			q.Fail("to", "is when they begin", "write two different times, or take quiet out")
		}
	}
}

// timeOfDay is a key's time on the clock, such as "22:00".
func timeOfDay(m yamlfile.Map, key, example string) time.Duration {
	return yamlfile.Scalar(m, key, example, func(s string) (time.Duration, error) {
		t, err := time.Parse("15:04", s)
		if err != nil || len(s) != len("15:04") {
			return 0, fmt.Errorf(`%q is not a time of day; write for example "%s"`, s, example)
		}
		return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, nil
	})
}

// Unheard are the pots whose critical alarms no receiver is told of.
func (c Config) Unheard() []string {
	var out []string
	for _, p := range c.Pots {
		heard := func(r Receiver) bool { return r.Policy.Pots == nil || r.Policy.Pots[p.Name] }
		if !slices.ContainsFunc(c.Notify, heard) {
			out = append(out, p.Name)
		}
	}
	return out
}

// lookNotify looks into the files of the receivers, which were read from the list.
func (c Config) lookNotify(m yamlfile.Map, now time.Time) []Found {
	var out []Found
	if !m.Has("notify") {
		return nil
	}
	for i, v := range m.List("notify") {
		var found []brokerlink.Finding
		switch r, rm := c.Notify[i], v.Map(); {
		case r.Webhook != nil:
			found = r.Webhook.Look(rm.Map("webhook"), now)
		case r.Mail != nil:
			found = r.Mail.Look(rm.Map("mail"), now)
		case r.Alertmanager != nil:
			found = r.Alertmanager.Look(rm.Map("alertmanager"), now)
		}
		for _, f := range found {
			out = append(out, Found{"notify " + c.Notify[i].Name, f})
		}
	}
	if n := c.Unheard(); len(n) > 0 && len(c.Notify) > 0 {
		out = append(out, Found{"notify", brokerlink.Finding{Text: "nobody outside is told of critical alarms of " + strings.Join(n, ", "), Warn: true}})
	}
	return out
}
