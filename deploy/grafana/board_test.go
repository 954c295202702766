package grafana_test

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
)

type panel struct {
	ID         int
	Type       string
	Title      string
	Repeat     string
	Datasource struct{ UID string }
	GridPos    struct{ X, Y, W, H int }
	Targets    []struct {
		Expr       string
		Datasource struct{ UID string }
	}
	Panels []panel
}

// TestBoard: a row for each pot holds its answer, state, pressures and drops; every query goes to the source that the reader
// chose and to the site, and one of a pot to that pot; no panel covers another. What the queries ask for is held against a
// running server in internal/e2e.
func TestBoard(t *testing.T) {
	text, err := os.ReadFile("board.json")
	if err != nil {
		t.Fatal(err)
	}
	var board struct{ Panels []panel }
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	ids := map[int]bool{}
	covered := map[[2]int]string{}
	perPot, row := "", panel{}
	for _, p := range board.Panels {
		if ids[p.ID] || p.Title == "" || len(p.Panels) > 0 {
			t.Errorf("panel %d %q: its number is another's, it has no title, or it is folded away", p.ID, p.Title)
		}
		ids[p.ID] = true
		for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				if other := covered[[2]int{x, y}]; other != "" || x >= 24 {
					t.Errorf("%q covers %q, or leaves the board", p.Title, other)
				}
				covered[[2]int{x, y}] = p.Title
			}
		}
		if p.Type == "row" {
			row = p
			continue
		}
		for _, target := range p.Targets {
			if target.Datasource.UID != "${datasource}" || p.Datasource.UID != "${datasource}" {
				t.Errorf("%q asks another source than the chosen one", p.Title)
			}
			ofSite := strings.Contains(target.Expr, `site="$site"`) || p.Title == "Server"
			if ofPot := strings.Contains(target.Expr, `pot="$pot"`); !ofSite || ofPot != (row.Repeat == "pot") {
				t.Errorf("%q asks for other pots or sites than its row's: %s", p.Title, target.Expr)
			}
			if row.Repeat == "pot" {
				perPot += target.Expr + "\n"
			}
		}
	}
	for _, name := range []string{"gritwatch_pot_answer{", "gritwatch_pot_state{", "gritwatch_pot_pressure_pascals{", "gritwatch_pot_drop_pascals{"} {
		if !strings.Contains(perPot, name) {
			t.Errorf("a pot's row lacks %s", name)
		}
	}
}
