//go:build race

package e2e_test

func init() {
	buildFlags, buildEnv = []string{"-race"}, nil
}
