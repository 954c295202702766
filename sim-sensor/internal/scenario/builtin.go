package scenario

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

//go:embed builtin/*.yaml
var builtins embed.FS

// Names are the scenarios built in, sorted.
func Names() []string {
	files, err := fs.Glob(builtins, "builtin/*.yaml")
	if err != nil {
		panic("scenario: bad pattern") // a constant
	}
	for i, f := range files {
		files[i] = strings.TrimSuffix(strings.TrimPrefix(f, "builtin/"), ".yaml")
	}
	slices.Sort(files)
	return files
}

// Text is the file of a scenario built in.
func Text(name string) ([]byte, error) {
	text, err := builtins.ReadFile("builtin/" + name + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("no scenario %q is built in; there are %s", name, strings.Join(Names(), ", "))
	}
	return text, nil
}

// Builtin is a scenario built in.
func Builtin(name string) (*Scenario, error) {
	text, err := Text(name)
	if err != nil {
		return nil, err
	}
	return Parse(name+".yaml", text)
}
