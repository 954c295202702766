//go:build !soak

package main

import (
	"log/slog"

	"gritwatch/agent/internal/app"
)

func options(log *slog.Logger) app.Options { return app.Options{Log: log} }
