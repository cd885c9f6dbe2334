package ledger

import (
	"context"
	"database/sql"
	"time"
)

// pruneLinks is how many links go in one step: a commit must not wait long behind it.
const pruneLinks = 4096

// Prune takes out what is older than before, and was recorded ahead of everything that is not: events, marks,
// notices and readings, with their links. It is the one way in which events and marks ever go. A row of pruned,
// itself linked, says up to which link, and with which hash, the chain goes on without them; so the rest can
// still be verified, and says that they went. It does one step in one transaction; more says that there is
// another.
func (l *Ledger) Prune(ctx context.Context, before time.Time) (more bool, err error) {
	err = l.write(func(c *conns) error {
		tx, err := c.writer.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer tx.Rollback()
		links, err := openChain(ctx, tx, c.id)
		if err != nil {
			return err
		}
		n, err := oldLinks(ctx, tx, before)
		if err != nil || n == 0 {
			return err
		}
		if err := links.prune(l.now(), n); err != nil {
			return err
		}
		rest, err := oldLinks(ctx, tx, before)
		if err != nil {
			return err
		}
		if err := tx.Commit(); err != nil {
			return err
		}
		more = rest > 0
		l.know(links.head)
		return nil
	})
	return more, err
}

// oldLinks gives the last link to take out next, 0 for none: of an event that is older than before, and came
// ahead of the first that is not. The wall clock may have stepped back in between. The newest event always
// stays: its Seq is what the next one counts on from.
func oldLinks(ctx context.Context, tx *sql.Tx, before time.Time) (n int64, err error) {
	var last sql.NullInt64
	err = tx.QueryRowContext(ctx, `SELECT max(seq) FROM events WHERE seq <
		(SELECT coalesce(min(seq) FILTER (WHERE wall >= ?), max(seq)) FROM events)`, before.UnixMilli()).Scan(&last)
	if err != nil || !last.Valid {
		return 0, err
	}
	var step sql.NullInt64
	err = tx.QueryRowContext(ctx, `SELECT n, (SELECT n FROM chain WHERE n > 1 ORDER BY n LIMIT 1 OFFSET ?) FROM chain
		WHERE kind = 'event' AND a = ? ORDER BY n LIMIT 1`, pruneLinks-1, last.Int64).Scan(&n, &step)
	if step.Valid {
		n = min(n, step.Int64)
	}
	return n, err
}

// prune takes the links after the first up to n out, and what they cover.
func (c *chain) prune(now time.Time, n int64) error {
	var link []byte
	if err := c.tx.QueryRowContext(c.ctx, `SELECT link FROM chain WHERE n = ?`, n).Scan(&link); err != nil {
		return err
	}
	var seq, sweep int64
	if err := c.tx.QueryRowContext(c.ctx, `SELECT coalesce(max(a) FILTER (WHERE kind = 'event'), 0),
		coalesce(max(a) FILTER (WHERE kind IN ('mark', 'notice')), -1) FROM chain WHERE n > 1 AND n <= ?`, n).Scan(&seq, &sweep); err != nil {
		return err
	}
	row := []any{n, link, now.UnixMilli(), seq, sweep}
	if _, err := c.tx.ExecContext(c.ctx, `INSERT INTO pruned VALUES (?, ?, ?, ?, ?)`, row...); err != nil {
		return err
	}
	if err := c.add(linkPruned, n, 0, digest(linkPruned, row...)); err != nil {
		return err
	}
	for _, s := range []string{
		`DELETE FROM events WHERE seq IN (SELECT a FROM chain WHERE kind = 'event' AND n <= ?)`,
		`DELETE FROM marks WHERE (sweep, n) IN (SELECT a, b FROM chain WHERE kind = 'mark' AND n <= ?)`,
		`DELETE FROM notices WHERE (sweep, n) IN (SELECT a, b FROM chain WHERE kind = 'notice' AND n <= ?)`,
		`DELETE FROM blocks WHERE first IN (SELECT a FROM chain WHERE kind = 'block' AND n <= ?)`,
		`DELETE FROM late WHERE seq IN (SELECT a FROM chain WHERE kind = 'late' AND n <= ?)`,
		`DELETE FROM thinned WHERE n IN (SELECT a FROM chain WHERE kind = 'thinned' AND n <= ?)`,
		`DELETE FROM pruned WHERE n IN (SELECT a FROM chain WHERE kind = 'pruned' AND n <= ?)`,
		`DELETE FROM chain WHERE n > 1 AND n <= ?`,
	} {
		if _, err := c.tx.ExecContext(c.ctx, s, n); err != nil {
			return err
		}
	}
	return nil
}
