package poll

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/serialport"
)

// port is a bus's port, which may be lost and found again. Changes are logged and counted, each once.
type port struct {
	line *serialport.Line
	mode serialport.Mode
	log  *slog.Logger
	told func(open bool) // may be nil
	down string          // why the port is lost, as it was said; empty: it is open, or was never tried
}

func newPort(cfg config.Bus, opts Options) *port {
	open := opts.Open
	if open == nil {
		open = func() (serialport.Port, error) { return serialport.Open(cfg.Port, cfg.Mode) }
	}
	mark := func() string { return serialport.Mark(cfg.Port) }
	return &port{line: serialport.NewLine(open, mark), mode: cfg.Mode, log: opts.Log, told: opts.Events.Port}
}

// open gives the open port, after trying to open it where that is due; nil: it is lost. Fresh says that it was opened
// just now.
func (p *port) open(ctx context.Context) (s serialport.Port, fresh bool) {
	was := p.line.IsOpen()
	s, err := p.line.Port(time.Now())
	switch {
	case errors.Is(err, serialport.ErrWaiting):
		return nil, false
	case err != nil:
		p.say(ctx, err)
		return nil, false
	case was:
		return s, false
	}
	p.down = ""
	p.log.LogAttrs(ctx, slog.LevelInfo, "port opened", slog.String("mode", p.mode.String()))
	if p.told != nil {
		p.told(true)
	}
	return s, true
}

// lost closes the port after an error of its own.
func (p *port) lost(ctx context.Context, err error) {
	p.line.Lost(time.Now())
	p.say(ctx, err)
}

// say reports that the port is lost, once for each reason.
func (p *port) say(ctx context.Context, err error) {
	if p.down == err.Error() {
		return
	}
	first := p.down == ""
	p.down = err.Error()
	p.log.LogAttrs(ctx, slog.LevelError, "port is not to be had; it is tried again", slog.Any("error", err))
	if first && p.told != nil {
		p.told(false)
	}
}

func (p *port) close(ctx context.Context) {
	if err := p.line.Close(); err != nil {
		p.log.LogAttrs(ctx, slog.LevelWarn, "port not closed cleanly", slog.Any("error", err))
	}
}
