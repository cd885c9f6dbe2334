package ledger

// version is the schema's, kept in SQLite's user_version. A change that an older program cannot read
// raises it.
const version = 1

// applicationID marks the file as ours ("hbel"), so that another program's database is never written to.
const applicationID = 0x6862656c

// schema makes an empty ledger. The Writer numbers the sweeps; marks and notices carry the number of the
// sweep they entered with. Walls (lo, hi, wall) are milliseconds since 1970, for looking up only: the order
// is that of the numbers, because a wall clock can step back.
const schema = `
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE layouts (id INTEGER PRIMARY KEY, probes TEXT NOT NULL UNIQUE);
CREATE TABLE blocks (
	first INTEGER PRIMARY KEY, count INTEGER NOT NULL, layout INTEGER NOT NULL REFERENCES layouts,
	lo INTEGER NOT NULL, hi INTEGER NOT NULL, data BLOB NOT NULL);
CREATE INDEX blocks_wall ON blocks (hi, lo);
CREATE TABLE events (
	seq INTEGER PRIMARY KEY, wall INTEGER NOT NULL, kind TEXT NOT NULL, alarm TEXT, station TEXT, lot TEXT,
	event TEXT NOT NULL);
CREATE TABLE marks (
	sweep INTEGER NOT NULL, n INTEGER NOT NULL, id TEXT, mark TEXT NOT NULL, PRIMARY KEY (sweep, n)) WITHOUT ROWID;
CREATE INDEX marks_id ON marks (id) WHERE id IS NOT NULL;
CREATE TABLE notices (
	sweep INTEGER NOT NULL, n INTEGER NOT NULL, notice TEXT NOT NULL, PRIMARY KEY (sweep, n)) WITHOUT ROWID;
CREATE TABLE snapshot (
	one INTEGER PRIMARY KEY CHECK (one = 1), sweep INTEGER NOT NULL, data BLOB NOT NULL, batch BLOB NOT NULL);
CREATE TABLE cursors (name TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
`
