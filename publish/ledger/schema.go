package ledger

// version is the schema's, kept in SQLite's user_version. A change that an older program cannot read
// raises it, and migrations has the way there.
const version = 4

// schemaChain is the first version with a chain.
const schemaChain = 2

// applicationID marks the file as ours ("hbel"), so that another program's database is never written to.
const applicationID = 0x6862656c

// schema makes an empty ledger of version 1, which the migrations then bring to this one's. The Writer numbers the sweeps; marks and notices carry the number of the
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

// chainSchema makes the chain over everything that is recorded, and sees to it that no statement of ours, or of
// a careless hand, overwrites or removes what it covers; guardSchema goes on with that.
//
// origin is the ledger itself: when its chain began, the last sweep of before that, and the ledger that it was
// carried on from, with the head that was known of it. late has the events that were told before they were
// recorded. thinned: blocks that began with the sweeps first to last, and have a link before n, which is this
// row's own, may be gone by age or have given way to a thinner one.
const chainSchema = `
CREATE TABLE chain (
	n INTEGER PRIMARY KEY, kind TEXT NOT NULL, a INTEGER NOT NULL, b INTEGER NOT NULL,
	digest BLOB NOT NULL, link BLOB NOT NULL);
CREATE TABLE origin (
	one INTEGER PRIMARY KEY CHECK (one = 1), ledger TEXT NOT NULL, wall INTEGER NOT NULL, sweep INTEGER NOT NULL,
	before TEXT, links INTEGER NOT NULL, link BLOB);
CREATE TABLE late (seq INTEGER PRIMARY KEY);
CREATE TABLE thinned (n INTEGER PRIMARY KEY, wall INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL);
CREATE INDEX thinned_last ON thinned (last);
CREATE TABLE pruned (
	n INTEGER PRIMARY KEY, link BLOB NOT NULL, wall INTEGER NOT NULL, seq INTEGER NOT NULL, sweep INTEGER NOT NULL);

CREATE TRIGGER chain_stands BEFORE UPDATE ON chain BEGIN SELECT RAISE(ABORT, 'a link of the chain stands as it is'); END;
CREATE TRIGGER events_stand BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'a recorded event stands as it is'); END;
CREATE TRIGGER marks_stand BEFORE UPDATE ON marks BEGIN SELECT RAISE(ABORT, 'a recorded mark stands as it is'); END;
CREATE TRIGGER notices_stand BEFORE UPDATE ON notices BEGIN SELECT RAISE(ABORT, 'a recorded notice stands as it is'); END;
CREATE TRIGGER blocks_stand BEFORE UPDATE ON blocks BEGIN SELECT RAISE(ABORT, 'recorded readings stand as they are'); END;
CREATE TRIGGER origin_stands BEFORE UPDATE ON origin BEGIN SELECT RAISE(ABORT, 'the origin of the record stands as it is'); END;
CREATE TRIGGER late_stands BEFORE UPDATE ON late BEGIN SELECT RAISE(ABORT, 'what was recorded stands as it is'); END;
CREATE TRIGGER thinned_stands BEFORE UPDATE ON thinned BEGIN SELECT RAISE(ABORT, 'what was recorded stands as it is'); END;
CREATE TRIGGER pruned_stands BEFORE UPDATE ON pruned BEGIN SELECT RAISE(ABORT, 'what was recorded stands as it is'); END;

CREATE TRIGGER chain_once BEFORE INSERT ON chain WHEN EXISTS (SELECT 1 FROM chain WHERE n = NEW.n)
	BEGIN SELECT RAISE(ABORT, 'a link of the chain is never replaced'); END;
CREATE TRIGGER events_once BEFORE INSERT ON events WHEN EXISTS (SELECT 1 FROM events WHERE seq = NEW.seq)
	BEGIN SELECT RAISE(ABORT, 'a recorded event is never replaced'); END;
CREATE TRIGGER marks_once BEFORE INSERT ON marks WHEN EXISTS (SELECT 1 FROM marks WHERE sweep = NEW.sweep AND n = NEW.n)
	BEGIN SELECT RAISE(ABORT, 'a recorded mark is never replaced'); END;
CREATE TRIGGER notices_once BEFORE INSERT ON notices WHEN EXISTS (SELECT 1 FROM notices WHERE sweep = NEW.sweep AND n = NEW.n)
	BEGIN SELECT RAISE(ABORT, 'a recorded notice is never replaced'); END;

CREATE TRIGGER chain_stays BEFORE DELETE ON chain WHEN OLD.n > (SELECT coalesce(max(n), 0) FROM pruned)
	BEGIN SELECT RAISE(ABORT, 'links of the chain go by age alone'); END;
CREATE TRIGGER events_stay BEFORE DELETE ON events WHEN OLD.seq > (SELECT coalesce(max(seq), 0) FROM pruned)
	BEGIN SELECT RAISE(ABORT, 'recorded events go by age alone'); END;
CREATE TRIGGER marks_stay BEFORE DELETE ON marks WHEN OLD.sweep > (SELECT coalesce(max(sweep), -1) FROM pruned)
	BEGIN SELECT RAISE(ABORT, 'recorded marks go by age alone'); END;
CREATE TRIGGER notices_stay BEFORE DELETE ON notices WHEN OLD.sweep > (SELECT coalesce(max(sweep), -1) FROM pruned)
	BEGIN SELECT RAISE(ABORT, 'recorded notices go by age alone'); END;
CREATE TRIGGER origin_stays BEFORE DELETE ON origin BEGIN SELECT RAISE(ABORT, 'the origin of the record stays'); END;
`

// thinSchema goes with blocks that may be thinned, which a program of schema 2 cannot read. To thin some, the
// events of their time are looked up. The sum of the batch that was committed last leaves the snapshot, whose
// row is large and would be written with every commit.
const thinSchema = `
CREATE INDEX events_wall ON events (wall);
INSERT INTO meta SELECT 'batch', batch FROM snapshot;
ALTER TABLE snapshot DROP COLUMN batch;
`

// guardSchema lets nothing that the chain covers be overwritten or removed by any statement, but readings, whose
// row of thinned has to be the newest link: it is written just before them, in the same transaction. Events, marks,
// notices and links were to go by age once, behind a row of pruned; no program ever took one out. A batch is known
// again by its own rows: its sum cost a page of the log with every commit.
const guardSchema = `
DELETE FROM meta WHERE key = 'batch';

DROP TRIGGER chain_stays;
DROP TRIGGER events_stay;
DROP TRIGGER marks_stay;
DROP TRIGGER notices_stay;
DROP TABLE pruned;

CREATE TRIGGER chain_stays BEFORE DELETE ON chain BEGIN SELECT RAISE(ABORT, 'a link of the chain stays'); END;
CREATE TRIGGER events_stay BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'a recorded event stays'); END;
CREATE TRIGGER marks_stay BEFORE DELETE ON marks BEGIN SELECT RAISE(ABORT, 'a recorded mark stays'); END;
CREATE TRIGGER notices_stay BEFORE DELETE ON notices BEGIN SELECT RAISE(ABORT, 'a recorded notice stays'); END;
CREATE TRIGGER late_stays BEFORE DELETE ON late BEGIN SELECT RAISE(ABORT, 'what was recorded stays'); END;
CREATE TRIGGER thinned_stays BEFORE DELETE ON thinned BEGIN SELECT RAISE(ABORT, 'what was recorded stays'); END;
CREATE TRIGGER layouts_stay BEFORE DELETE ON layouts BEGIN SELECT RAISE(ABORT, 'the names of recorded probes stay'); END;
CREATE TRIGGER id_stays BEFORE DELETE ON meta WHEN OLD.key = 'id' BEGIN SELECT RAISE(ABORT, 'the id of the record stays'); END;
CREATE TRIGGER blocks_stay BEFORE DELETE ON blocks
	WHEN NOT EXISTS (SELECT 1 FROM thinned WHERE n = (SELECT max(n) FROM chain) AND OLD.first BETWEEN first AND last)
	BEGIN SELECT RAISE(ABORT, 'recorded readings go by age alone'); END;

CREATE TRIGGER layouts_stand BEFORE UPDATE ON layouts BEGIN SELECT RAISE(ABORT, 'the names of recorded probes stand as they are'); END;
CREATE TRIGGER id_stands BEFORE UPDATE ON meta WHEN OLD.key = 'id' BEGIN SELECT RAISE(ABORT, 'the id of the record stands as it is'); END;

CREATE TRIGGER blocks_once BEFORE INSERT ON blocks WHEN EXISTS (SELECT 1 FROM blocks WHERE first = NEW.first)
	BEGIN SELECT RAISE(ABORT, 'recorded readings are never replaced'); END;
CREATE TRIGGER origin_once BEFORE INSERT ON origin WHEN EXISTS (SELECT 1 FROM origin)
	BEGIN SELECT RAISE(ABORT, 'the origin of the record is never replaced'); END;
CREATE TRIGGER late_once BEFORE INSERT ON late WHEN EXISTS (SELECT 1 FROM late WHERE seq = NEW.seq)
	BEGIN SELECT RAISE(ABORT, 'what was recorded is never replaced'); END;
CREATE TRIGGER thinned_once BEFORE INSERT ON thinned WHEN EXISTS (SELECT 1 FROM thinned WHERE n = NEW.n)
	BEGIN SELECT RAISE(ABORT, 'what was recorded is never replaced'); END;
CREATE TRIGGER layouts_once BEFORE INSERT ON layouts WHEN EXISTS (SELECT 1 FROM layouts WHERE id = NEW.id OR probes = NEW.probes)
	BEGIN SELECT RAISE(ABORT, 'the names of recorded probes are never replaced'); END;
CREATE TRIGGER id_once BEFORE INSERT ON meta WHEN NEW.key = 'id' AND EXISTS (SELECT 1 FROM meta WHERE key = 'id')
	BEGIN SELECT RAISE(ABORT, 'the id of the record is never replaced'); END;
`
