-- What people decide. The tables hold how things stand; changes holds how they came to, and is only
-- ever added to.

-- One control chart: line and head are empty where it takes the shots of all heads, or those of
-- which nobody told the line.
CREATE TABLE charts (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	part       TEXT NOT NULL,
	view       TEXT NOT NULL,
	line       TEXT NOT NULL,
	head       TEXT NOT NULL,
	quantity   TEXT NOT NULL, -- a column of shots
	judge_from TIMESTAMP, -- points from here on have to be judged again; NULL when none has
	UNIQUE (part, view, line, head, quantity)
);

CREATE TABLE phases (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	chart_id   INTEGER NOT NULL REFERENCES charts (id),
	name       TEXT NOT NULL,
	starts_at  TIMESTAMP NOT NULL,
	kind       TEXT NOT NULL,
	by_lot     INTEGER NOT NULL, -- 0 or 1
	rules      TEXT NOT NULL,
	centre     REAL NOT NULL,
	sigma      REAL NOT NULL,
	points     INTEGER NOT NULL,
	source     TEXT NOT NULL,
	made_by    TEXT NOT NULL,
	made_at    TIMESTAMP NOT NULL,
	why        TEXT NOT NULL,
	withdrawn_by  TEXT,
	withdrawn_at  TIMESTAMP,
	withdrawn_why TEXT
);
CREATE INDEX phases_chart ON phases (chart_id, starts_at);

CREATE TABLE signals (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	chart_id   INTEGER NOT NULL REFERENCES charts (id),
	phase_id   INTEGER NOT NULL REFERENCES phases (id),
	statistic  TEXT NOT NULL,
	rule       TEXT NOT NULL,
	side       INTEGER NOT NULL,
	first_shot INTEGER NOT NULL, -- the points that completed the pattern, the first and so far the last
	first_at   TIMESTAMP NOT NULL,
	first_name TEXT NOT NULL,
	first_value REAL NOT NULL,
	last_shot  INTEGER NOT NULL,
	last_at    TIMESTAMP NOT NULL,
	last_name  TEXT NOT NULL,
	last_value REAL NOT NULL,
	times      INTEGER NOT NULL,
	pattern    TEXT NOT NULL, -- JSON, the points of the first pattern
	words      TEXT NOT NULL,
	found_at   TIMESTAMP NOT NULL,
	state      TEXT NOT NULL, -- open, acknowledged, closed
	cause      TEXT,
	action     TEXT,
	acknowledged_by  TEXT,
	acknowledged_at  TIMESTAMP,
	acknowledged_why TEXT,
	closed_by  TEXT,
	closed_at  TIMESTAMP,
	closed_why TEXT
);
CREATE INDEX signals_chart ON signals (chart_id, last_at);
CREATE INDEX signals_not_closed ON signals (state, last_at) WHERE state <> 'closed';
CREATE INDEX signals_time ON signals (last_at);

-- Something done to the line; what is empty is not said, and the event is drawn on all such charts.
CREATE TABLE events (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	happened_at TIMESTAMP NOT NULL,
	part       TEXT NOT NULL,
	line       TEXT NOT NULL,
	head       TEXT NOT NULL,
	nozzle     TEXT NOT NULL,
	words      TEXT NOT NULL,
	made_by    TEXT NOT NULL,
	made_at    TIMESTAMP NOT NULL,
	why        TEXT NOT NULL,
	withdrawn_by  TEXT,
	withdrawn_at  TIMESTAMP,
	withdrawn_why TEXT
);
CREATE INDEX events_time ON events (happened_at);

-- What people decided about shots whose uncertainty straddles a limit; the newest holds.
CREATE TABLE reviews (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	shot_id    INTEGER NOT NULL REFERENCES shots (id),
	reading    INTEGER NOT NULL, -- number of the reading that was decided about
	decision   TEXT NOT NULL, -- accept or reject
	made_by    TEXT NOT NULL,
	made_at    TIMESTAMP NOT NULL,
	why        TEXT NOT NULL
);
CREATE INDEX reviews_shot ON reviews (shot_id, id);

-- Samples of known dimensions, shot again and again to watch the scopes. Their shots are not the
-- line's.
CREATE TABLE check_samples (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	part       TEXT NOT NULL,
	sample     TEXT NOT NULL,
	view       TEXT NOT NULL,
	quantity   TEXT NOT NULL,
	reference  REAL NOT NULL, -- its value and standard uncertainty, in the unit of the quantity
	u_reference REAL NOT NULL,
	made_by    TEXT NOT NULL,
	made_at    TIMESTAMP NOT NULL,
	why        TEXT NOT NULL,
	withdrawn_by  TEXT,
	withdrawn_at  TIMESTAMP,
	withdrawn_why TEXT
);
CREATE INDEX check_samples_part ON check_samples (part, sample);

CREATE TABLE changes (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	made_by    TEXT NOT NULL,
	made_at    TIMESTAMP NOT NULL,
	why        TEXT NOT NULL,
	what       TEXT NOT NULL, -- signal, phase, event, review, check sample
	subject    INTEGER NOT NULL, -- its id
	did        TEXT NOT NULL, -- found, acknowledged, closed, started, withdrawn …
	before     TEXT, -- JSON; NULL where there was nothing
	after      TEXT NOT NULL
);
CREATE INDEX changes_subject ON changes (what, subject, id);
CREATE INDEX changes_time ON changes (made_at);

-- Up to which shot the charts have been judged; one row.
CREATE TABLE judged (
	shot_id INTEGER NOT NULL, -- 0 before the first time
	turn    INTEGER NOT NULL -- grows each time, so that two judges don't record the same
);
INSERT INTO judged VALUES (0, 0);
