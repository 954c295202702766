package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"gritwatch/internal/program"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/notify"
)

type notifyTestFlags struct {
	Config string `required:"" placeholder:"FILE" help:"The site's file, site.yaml."`
	To     string `placeholder:"NAME" help:"Try this receiver only."`
}

// tryReceivers sends a test to the receivers of a site's file, and says of each what became of it.
func tryReceivers(ctx context.Context, f notifyTestFlags, out io.Writer) error {
	c, _, err := readWhole(f.Config)
	if err != nil {
		return err
	}
	if len(c.Notify) == 0 {
		return fmt.Errorf("%s %w here: notify names nobody to try", f.Config, program.ErrUsage)
	}
	w := &printer{out: out}
	var names, failed []string
	tried := 0
	for _, r := range c.Notify {
		names = append(names, r.Name)
		if f.To != "" && r.Name != f.To {
			continue
		}
		tried++
		if err := notify.Try(ctx, c.Site, r); err != nil {
			failed = append(failed, r.Name)
			w.say("%s: %s %s: not told: %v", r.Name, r.Kind(), r.Where(), err)
			continue
		}
		w.say("%s: %s %s: told", r.Name, r.Kind(), r.Where())
	}
	if tried == 0 {
		return fmt.Errorf("--to %w: there is no receiver %q in %s; receivers there: %v", program.ErrUsage, f.To, f.Config, names)
	}
	if len(failed) > 0 {
		return errors.Join(w.err, fmt.Errorf("not told: %s", strings.Join(failed, ", ")))
	}
	return w.err
}

// receivers says who outside is told of alarms.
func receivers(w *printer, c config.Config) {
	if len(c.Notify) == 0 {
		w.say("notify: nobody; alarms are told on the page alone")
	}
	for _, r := range c.Notify {
		p := r.Policy
		s := "alarms of all priorities"
		if p.Least > 0 {
			s = "alarms from " + p.Least.String() + " up"
		}
		if p.Pots != nil {
			var pots []string
			for _, x := range c.Pots {
				if p.Pots[x.Name] {
					pots = append(pots, x.Name)
				}
			}
			s += " of " + strings.Join(pots, ", ")
		}
		if q := p.Quiet; q.From != q.To {
			s += fmt.Sprintf("; from %s to %s (%s) critical ones alone", clock(q.From.Minutes()), clock(q.To.Minutes()), q.Zone)
		}
		w.say("notify %s: %s %s: %s", r.Name, r.Kind(), r.Where(), s)
	}
}

func clock(minutes float64) string {
	return fmt.Sprintf("%02d:%02d", int(minutes)/60, int(minutes)%60)
}
