//go:build race

package e2e_test

import "os"

// SHIPPED has the programs built as they ship all the same: many sites at once, instrumented, would make their simulated lines late.
func init() {
	if os.Getenv("SHIPPED") == "" {
		buildFlags, buildEnv = []string{"-race"}, nil
	}
}
