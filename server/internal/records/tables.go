package records

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"gritwatch/protocol/si"
)

// A row is what a query stands on.
type row interface{ Scan(into ...any) error }

// A table is one that is listed by an instant and, of those of one instant, by a key.
type table[T any] struct {
	name, columns string
	at, key       string // columns
	owner         string // column that Query.Pot chooses by; empty: none
	over          string // condition that Query.Ended chooses by; empty: none
	scan          func(row) (T, error)
	place         func(T) (si.Instant, string) // at and key
}

const (
	usualPage   = 100
	longestPage = 1000
)

// list gives a page.
func list[T any](ctx context.Context, s session, t *table[T], q Query) (Page[T], error) {
	limit := cmp.Or(q.Limit, usualPage)
	if limit < 1 || limit > longestPage {
		return Page[T]{}, fmt.Errorf("records: limit %d: ask for 1 to %d", q.Limit, longestPage)
	}
	// Each condition takes the next parameters.
	var where []string
	var args []any
	and := func(condition string, values ...any) {
		for _, v := range values {
			args = append(args, v)
			condition = strings.Replace(condition, "?", parameter(len(args)), 1)
		}
		where = append(where, condition)
	}
	if q.Pot != "" && t.owner != "" {
		and(t.owner+" = ?", q.Pot)
	}
	if q.Ended && t.over != "" {
		and(t.over)
	}
	if q.From != 0 {
		and(t.at+" >= ?", int64(q.From))
	}
	if q.To != 0 {
		and(t.at+" < ?", int64(q.To))
	}
	order, beyond := " DESC", " < "
	if q.OldestFirst {
		order, beyond = "", " > "
	}
	if q.After != "" {
		at, key, err := readCursor(q.After)
		if err != nil {
			return Page[T]{}, err
		}
		and("("+t.at+", "+t.key+")"+beyond+"(?, ?)", int64(at), key)
	}
	text := "SELECT " + t.columns + " FROM " + t.name
	if len(where) > 0 {
		text += " WHERE " + strings.Join(where, " AND ")
	}
	// One more tells whether there is another page.
	args = append(args, limit+1)
	text += " ORDER BY " + t.at + order + ", " + t.key + order + " LIMIT " + parameter(len(args))
	items, err := all(ctx, s, t.scan, text, args...)
	if err != nil || len(items) <= limit {
		return Page[T]{Items: items}, err
	}
	return Page[T]{Items: items[:limit], Next: cursor(t.place(items[limit-1]))}, nil
}

// all gives what a query finds.
func all[T any](ctx context.Context, s session, scan func(row) (T, error), text string, args ...any) (out []T, err error) {
	rows, err := s.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, fmt.Errorf("records cannot be read: %w", err)
	}
	defer func() {
		if err = errors.Join(err, rows.Err(), rows.Close()); err != nil {
			out, err = nil, fmt.Errorf("records cannot be read: %w", err)
		}
	}()
	for rows.Next() {
		item, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, item)
	}
	return out, nil
}

// parameter is the nth placeholder. Both SQLite and PostgreSQL write them so.
func parameter(n int) string { return "$" + strconv.Itoa(n) }

// insert is the statement that inserts one row, with a parameter a column.
func insert(table, columns string) string {
	var values []string
	for n := range strings.Count(columns, ",") + 1 {
		values = append(values, parameter(n+1))
	}
	return "INSERT INTO " + table + " (" + columns + ") VALUES (" + strings.Join(values, ", ") + ")"
}

// run carries out one statement.
func run(ctx context.Context, s session, text string, args ...any) error {
	_, err := s.ExecContext(ctx, text, args...)
	return err
}

func cursor(at si.Instant, key string) string { return strconv.FormatInt(int64(at), 10) + "~" + key }

func readCursor(s string) (si.Instant, string, error) {
	at, key, ok := strings.Cut(s, "~")
	n, err := strconv.ParseInt(at, 10, 64)
	if !ok || err != nil {
		return 0, "", fmt.Errorf("records: %w: pass what the page before gave as next", &CursorError{s})
	}
	return si.Instant(n), key, nil
}

// A CursorError is a Query.After that no page gave.
type CursorError struct{ After string }

func (e *CursorError) Error() string { return strconv.Quote(e.After) + " is no place in a list" }

// none tells whether a query found nothing.
func none(err error) bool { return errors.Is(err, sql.ErrNoRows) }
