package scenario

import (
	"embed"
	"fmt"
	"io/fs"
	"maps"
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
	files = slices.AppendSeq(files, maps.Keys(families))
	slices.Sort(files)
	return files
}

// Text is the file of a scenario built in; of a family the one of seed 1.
func Text(name string) ([]byte, error) {
	if text, ok := family(name, 1); ok {
		return text, nil
	}
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

// Seeded is a scenario built in, drawn with a seed: the same name and seed give the same scenario, byte for byte. A
// scenario that is fixed only takes the seed, of noise and moods; a family draws its pots, people and weather too.
func Seeded(name string, seed uint64) (*Scenario, error) {
	text, drawn := family(name, seed)
	if !drawn {
		var err error
		if text, err = Text(name); err != nil {
			return nil, err
		}
	}
	s, err := Parse(name+".yaml", text)
	if err != nil {
		return nil, err
	}
	s.Seed = seed
	return s, nil
}
