package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// migrations bring a ledger from one schema to the next; the first is from 1 to 2. Each runs in one
// transaction, and none rewrites what was recorded.
func migrations() []func(ctx context.Context, tx *sql.Tx, now time.Time, before Head) error {
	return []func(ctx context.Context, tx *sql.Tx, now time.Time, before Head) error{beginChain, allowThinning, guardAll}
}

// migrate brings the ledger of a transaction to this program's schema.
func migrate(ctx context.Context, tx *sql.Tx, now time.Time, before Head) error {
	var have int
	if err := tx.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&have); err != nil {
		return err
	}
	all := migrations()
	for ; have <= len(all); have++ {
		if err := all[have-1](ctx, tx, now, before); err != nil {
			return fmt.Errorf("from schema %d to %d: %w", have, have+1, err)
		}
	}
	_, err := tx.ExecContext(ctx, fmt.Sprintf(`PRAGMA user_version = %d`, have))
	return err
}

// upgrade migrates the open file where it is of an older schema. A head of the same ledger in the copy means
// that the file had a chain before, and lost it.
func (c *conns) upgrade(now time.Time, before func() Head) error {
	ctx := context.Background()
	var have int
	if err := c.writer.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&have); err != nil || have == version {
		return err
	}
	tx, err := c.writer.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	had := before()
	var id string
	if err := tx.QueryRowContext(ctx, `SELECT value FROM meta WHERE key = 'id'`).Scan(&id); err != nil {
		return err
	}
	if had.Ledger != id || had.Links == 0 {
		had = Head{}
	}
	if err := migrate(ctx, tx, now, had); err != nil {
		return err
	}
	return tx.Commit()
}

// beginChain makes the chain's tables and its first link, then a link of each event, mark and notice that is
// there: what they are today is what stands from today on. Readings of before are a year's file to read,
// which no start may wait for; the origin says up to which sweep they are older than the chain.
func beginChain(ctx context.Context, tx *sql.Tx, now time.Time, before Head) error {
	if _, err := tx.ExecContext(ctx, chainSchema); err != nil {
		return err
	}
	var ledger string
	if err := tx.QueryRowContext(ctx, `SELECT value FROM meta WHERE key = 'id'`).Scan(&ledger); err != nil {
		return err
	}
	sweep, err := lastSweep(ctx, tx)
	if err != nil {
		return err
	}
	c := &chain{ctx: ctx, tx: tx, head: Head{Ledger: ledger}}
	if err := c.begin(ledger, now, sweep, before); err != nil {
		return err
	}
	if err := c.adopt(linkEvent, `SELECT seq, 0, seq, wall, kind, alarm, station, lot, event FROM events ORDER BY seq`); err != nil {
		return err
	}
	if err := c.adopt(linkMark, `SELECT sweep, n, sweep, n, id, mark FROM marks ORDER BY sweep, n`); err != nil {
		return err
	}
	return c.adopt(linkNotice, `SELECT sweep, n, sweep, n, notice FROM notices ORDER BY sweep, n`)
}

// adopt links rows that are there already: the query gives the key's two numbers, then what is covered.
func (c *chain) adopt(kind, query string) error {
	rows, err := c.tx.QueryContext(c.ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		return err
	}
	values, into := make([]any, len(names)-2), make([]any, len(names))
	var a, b int64
	into[0], into[1] = &a, &b
	for i := range values {
		into[i+2] = &values[i]
	}
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return err
		}
		if err := c.add(kind, a, b, digest(kind, values...)); err != nil {
			return err
		}
	}
	return rows.Err()
}

// allowThinning makes room for blocks that are thinned by age. What is recorded stays as it is.
func allowThinning(ctx context.Context, tx *sql.Tx, _ time.Time, _ Head) error {
	_, err := tx.ExecContext(ctx, thinSchema)
	return err
}

// guardAll guards what the chain covers against every statement.
func guardAll(ctx context.Context, tx *sql.Tx, _ time.Time, _ Head) error {
	_, err := tx.ExecContext(ctx, guardSchema)
	return err
}
