package ledger

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"
	"unicode/utf8"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// errDamaged is a file, or a part of it, that cannot be what was written.
var errDamaged = errors.New("the file is damaged")

// damaged reports whether err says that the file itself is at fault, not the disk or the moment.
func damaged(err error) bool {
	if errors.Is(err, errDamaged) {
		return true
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	code := e.Code() & 0xff // the primary code of an extended one
	return code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB
}

// diskFull reports whether err says that there was no room for what was to be written, and nothing else.
func diskFull(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code()&0xff == sqlite3.SQLITE_FULL
}

// guard turns a panic of the driver, which damaged files have provoked in embedded stores, into an error.
func guard(f func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%w: the database driver panicked: %v", errDamaged, r)
		}
	}()
	return f()
}

// Why a file is moved aside, as its new name says.
const (
	asideCorrupt = "corrupt" // it is damaged
	asideEarlier = "earlier" // it holds a history that this run did not start from
)

// openFile opens or makes the ledger at path. why is the reason to move aside what lies there; empty: go on
// in it, if it is sound. before is asked what a new ledger is carried on from.
func openFile(path, why string, now func() time.Time, before func() Head) (c *conns, moved string, err error) {
	path, err = filepath.Abs(path)
	if err != nil {
		return nil, "", err
	}
	if err := checkFolder(filepath.Dir(path)); err != nil {
		return nil, "", err
	}
	lock, err := hold(path)
	if err != nil {
		return nil, "", err
	}
	defer func() {
		if err != nil {
			_ = lock.Close()
			return
		}
		c.lock = lock
	}()
	err = inspect(path)
	_, stray := os.Lstat(path + "-wal")
	if err == nil && why != "" || errors.Is(err, fs.ErrNotExist) && stray == nil {
		// SQLite would apply a log that lost its file to a new one.
		err = errDamaged
	}
	if err == nil {
		if c, err = connect(path, now, before); damaged(err) {
			// SQLite calls a page that the disk did not give damaged as well: look again.
			c, err = connect(path, now, before)
		}
	}
	if damaged(err) {
		if moved, err = moveAside(path, cmp.Or(why, asideCorrupt), now()); err != nil {
			return nil, "", err
		}
		err = fs.ErrNotExist
	}
	if errors.Is(err, fs.ErrNotExist) {
		if err = create(path, now(), before()); err == nil {
			c, err = connect(path, now, before)
		}
	}
	if err != nil {
		return nil, moved, explain(path, err)
	}
	return c, moved, nil
}

func checkFolder(dir string) error {
	st, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("the record's folder %s does not exist; create it for the daemon's user, or change ledger.path", dir)
	case err != nil:
		return fmt.Errorf("the record's folder cannot be looked at: %w; change ledger.path, or let the daemon's user in", err)
	case !st.IsDir():
		return fmt.Errorf("%s is no folder; give ledger.path a file in one", dir)
	}
	return nil
}

// hold keeps a second daemon out for as long as the file that it gives is open: two that write to one
// record, each from its own memory, would both call it damaged.
func hold(path string) (*os.File, error) {
	f, err := os.OpenFile(path+"-lock", os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, explain(path, err)
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = fmt.Errorf("the record %s is held by another daemon; stop that one, or give this one a ledger.path of its own", path)
	} else if err != nil {
		err = explain(path, err)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// explain adds what to do to an error of the file system or the database.
func explain(path string, err error) error {
	var e *sqlite.Error
	code := 0
	if errors.As(err, &e) {
		code = e.Code() & 0xff
	}
	dir := filepath.Dir(path)
	switch {
	case errors.Is(err, fs.ErrPermission), errors.Is(err, unix.EROFS), code == sqlite3.SQLITE_READONLY, code == sqlite3.SQLITE_CANTOPEN:
		return fmt.Errorf("the record %s cannot be written: %w; let the daemon's user write to the file and to %s, or change ledger.path", path, err, dir)
	case errors.Is(err, unix.ENOSPC), code == sqlite3.SQLITE_FULL:
		return fmt.Errorf("the record %s cannot be written: %w; make room on the disk of %s", path, err, dir)
	case code == sqlite3.SQLITE_BUSY, code == sqlite3.SQLITE_LOCKED:
		return fmt.Errorf("the record %s is held by another program: %w; stop the other daemon", path, err)
	}
	return fmt.Errorf("the record %s cannot be opened: %w", path, err)
}

// SQLite's file format, https://www.sqlite.org/fileformat2.html section 1.3: the magic string; the page
// size at offset 16, a power of two from 512 on (1 stands for 65536); the number of pages at 28, good where
// 24 equals 92; user_version at 60 and application_id at 68.
const (
	magic      = "SQLite format 3\x00"
	headerSize = 100
)

// inspect looks at the file before SQLite does, which would change it. It gives fs.ErrNotExist, errDamaged for what must have been
// a ledger once, and another error for what never was one: that is not ours to move.
func inspect(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return err
	}
	if !st.Mode().IsRegular() {
		return errors.New("it is no regular file; give ledger.path a file of its own")
	}
	head := make([]byte, 512)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return err
	}
	head = head[:n]
	switch {
	case n == 0:
		return fmt.Errorf("%w: it is empty", errDamaged)
	case !bytes.HasPrefix(head, []byte(magic)):
		if isText(head) {
			return errors.New("it is a text file and no record; give ledger.path a file of its own")
		}
		return fmt.Errorf("%w: it does not begin as a database", errDamaged)
	case n < headerSize:
		return fmt.Errorf("%w: it ends within its header", errDamaged)
	}
	page, pages := int64(binary.BigEndian.Uint16(head[16:])), int64(binary.BigEndian.Uint32(head[28:]))
	if page == 1 {
		page = 1 << 16
	}
	if page < 512 || page&(page-1) != 0 {
		return fmt.Errorf("%w: pages of %d bytes", errDamaged, page)
	}
	if app := binary.BigEndian.Uint32(head[68:]); app != applicationID {
		return errors.New("it is another program's database; give ledger.path a file of its own")
	}
	switch have := binary.BigEndian.Uint32(head[60:]); {
	case have > version:
		return fmt.Errorf("it was written by a newer holdbell (schema %d, this one knows %d); install that version again, or change ledger.path", have, version)
	case have < 1:
		return fmt.Errorf("%w: schema %d", errDamaged, have)
	}
	// While a write-ahead log waits, pages may still be in it alone.
	if wal, err := os.Stat(path + "-wal"); err == nil && wal.Size() > 0 {
		return nil
	}
	if bytes.Equal(head[24:28], head[92:96]) && st.Size() < page*pages {
		return fmt.Errorf("%w: it ends after %d of %d bytes", errDamaged, st.Size(), page*pages)
	}
	return nil
}

// isText reports whether b reads as text: a file that a person wrote.
func isText(b []byte) bool {
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n == 1 && len(b) >= utf8.UTFMax {
			return false
		}
		if r < ' ' && r != '\n' && r != '\r' && r != '\t' {
			return false
		}
		b = b[n:]
	}
	return true
}

// moveAside renames a file and its log, so that a person can still look for what is in them.
func moveAside(path, why string, now time.Time) (string, error) {
	base := path + "." + why + "-" + now.UTC().Format("20060102T150405Z")
	to := base
	for n := 2; ; n++ {
		if _, err := os.Lstat(to); errors.Is(err, fs.ErrNotExist) {
			break
		}
		to = fmt.Sprintf("%s-%d", base, n)
	}
	// The log first: a new file must never meet the old one's log.
	for _, suffix := range []string{"-wal", "-shm", "-journal", ""} {
		if err := os.Rename(path+suffix, to+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("the record %s cannot be gone on with and not be moved aside: %w; move it by hand", path, err)
		}
	}
	return to, syncDir(filepath.Dir(path))
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// create makes an empty ledger under another name and renames it, so that path never holds half a one.
func create(path string, now time.Time, before Head) error {
	part := path + ".new"
	for _, suffix := range []string{"", "-journal", "-wal", "-shm"} {
		if err := os.Remove(part + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	f, err := os.OpenFile(part, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := guard(func() error { return fill(part, now, before) }); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// pageSize is of a new file. A commit a minute touches eight pages or so and writes each whole to the log:
// small pages spare the card most of that.
const pageSize = 1024

func fill(path string, now time.Time, before Head) error {
	db, err := sql.Open("sqlite", dsn(path, fmt.Sprintf("page_size(%d)", pageSize), "journal_mode(DELETE)", "synchronous(FULL)"))
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var id [16]byte
	if _, err := rand.Read(id[:]); err != nil {
		return err
	}
	tx, err := db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, q := range []string{
		fmt.Sprintf("PRAGMA application_id = %d", applicationID),
		"PRAGMA user_version = 1",
		schema,
	} {
		if _, err := tx.Exec(q); err != nil {
			return err
		}
	}
	if _, err := tx.Exec(`INSERT INTO meta VALUES ('id', ?)`, hex.EncodeToString(id[:])); err != nil {
		return err
	}
	if _, err := tx.Exec(`INSERT INTO snapshot VALUES (1, 0, '', '')`); err != nil {
		return err
	}
	if err := migrate(context.Background(), tx, now, before); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	return db.Close()
}

// dsn is the driver's name of the file. Each connection waits 5 s for another's lock and keeps at most
// 1 MiB of pages.
func dsn(path string, pragmas ...string) string {
	q := url.Values{"_pragma": append([]string{"busy_timeout(5000)", "cache_size(-1024)"}, pragmas...), "_txlock": {"immediate"}}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	return u.String()
}

// connect opens an existing ledger with its two connections, migrates it where it is of an older schema, and
// checks that its ends can be read.
func connect(path string, now func() time.Time, before func() Head) (*conns, error) {
	c := new(conns)
	err := guard(func() (err error) {
		c.writer, err = sql.Open("sqlite", dsn(path, "journal_mode(WAL)", "synchronous(FULL)", "journal_size_limit(4194304)"))
		if err != nil {
			return err
		}
		c.reader, err = sql.Open("sqlite", dsn(path, "query_only(1)"))
		if err != nil {
			return err
		}
		for _, db := range []*sql.DB{c.writer, c.reader} {
			db.SetMaxOpenConns(1)
			db.SetMaxIdleConns(1)
		}
		if err := c.upgrade(now(), before); err != nil {
			return broken(err)
		}
		if err := c.check(); err != nil {
			return err
		}
		// Publishers are told of what a killed daemon left in the log. On a disk that refuses this, too, the record
		// can still be read; the next commit says what is wrong.
		_ = c.settle(context.Background(), "PASSIVE")
		return nil
	})
	if err == nil {
		return c, nil
	}
	for _, db := range []*sql.DB{c.reader, c.writer} {
		if db != nil {
			// The reason to give up is err; what closing says adds nothing.
			_ = guard(db.Close)
		}
	}
	return nil, err
}

func (c *conns) check() error {
	// A file that cannot be written says so only to somebody who tries.
	tx, err := c.writer.Begin()
	if err != nil {
		return err
	}
	_, err = tx.Exec(`UPDATE snapshot SET sweep = sweep`)
	if err = errors.Join(err, tx.Rollback()); err != nil {
		return broken(err)
	}
	r, err := restored(context.Background(), c.reader)
	if err != nil {
		return broken(err)
	}
	c.id, c.schema = r.Ledger, version
	if c.head, err = headOf(context.Background(), c.reader, c.id); err != nil {
		return broken(err)
	}
	return nil
}

// broken calls damage what a ledger of this version never answers.
func broken(err error) error {
	var e *sqlite.Error
	if errors.Is(err, errBlock) || errors.Is(err, errSnapshot) || errors.Is(err, sql.ErrNoRows) ||
		errors.As(err, &e) && e.Code() == sqlite3.SQLITE_ERROR { // such as: no such table
		return fmt.Errorf("%w: %w", errDamaged, err)
	}
	return err
}
