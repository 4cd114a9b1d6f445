-- Part and scope files, each version once; file is the exact text, absent when a reading came
-- without it.
CREATE TABLE parts (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	name       TEXT NOT NULL,
	sha256     TEXT NOT NULL, -- of the file, hexadecimal
	file       BLOB,
	first_at   TIMESTAMP NOT NULL,
	UNIQUE (name, sha256)
);

CREATE TABLE scopes (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	name       TEXT NOT NULL,
	sha256     TEXT NOT NULL,
	file       BLOB,
	first_at   TIMESTAMP NOT NULL,
	UNIQUE (name, sha256)
);

CREATE TABLE lots (
	part       TEXT NOT NULL,
	name       TEXT NOT NULL,
	line       TEXT,
	first_at   TIMESTAMP NOT NULL, -- its first and its last shot, by the time they were taken
	last_at    TIMESTAMP NOT NULL,
	PRIMARY KEY (part, name)
);
CREATE INDEX lots_last ON lots (last_at);

CREATE TABLE samples (
	part       TEXT NOT NULL,
	lot        TEXT NOT NULL,
	name       TEXT NOT NULL,
	PRIMARY KEY (part, lot, name),
	FOREIGN KEY (part, lot) REFERENCES lots (part, name)
);

-- A shot and what its newest reading says, so that a chart needs no reading. A particular that
-- nobody told and a value that there is none of are NULL.
CREATE TABLE shots (
	id             INTEGER PRIMARY KEY AUTOINCREMENT,
	picture_sha256 BLOB NOT NULL, -- 32 bytes
	part           TEXT NOT NULL,
	view           TEXT NOT NULL,
	taken_at       TIMESTAMP NOT NULL, -- when the shot was taken; recorded_at where nobody said
	recorded_at    TIMESTAMP NOT NULL, -- when its first reading was kept
	readings       INTEGER NOT NULL, -- how many there are; the newest has this number
	verdict        TEXT NOT NULL,
	gate           TEXT, -- of a retake
	line           TEXT,
	lot            TEXT,
	sample         TEXT,
	head           TEXT,
	nozzle         TEXT,
	pick_position  TEXT,
	operator       TEXT,
	offset_of      TEXT, -- die or cap

	x_um REAL, u_x_um REAL, y_um REAL, u_y_um REAL, theta_deg REAL, u_theta_deg REAL,
	width_um REAL, u_width_um REAL, height_um REAL, u_height_um REAL,
	worst_bump_um REAL, u_worst_bump_um REAL,
	substrate_turn_deg REAL, u_substrate_turn_deg REAL, substrate_scale REAL, u_substrate_scale REAL,
	present INTEGER, missing INTEGER, tilted INTEGER, bridged INTEGER, doubled INTEGER,
	coplanarity_um REAL, u_coplanarity_um REAL,
	array_x_um REAL, u_array_x_um REAL, array_y_um REAL, u_array_y_um REAL,
	array_theta_deg REAL, u_array_theta_deg REAL, array_scale REAL, lean_deg REAL, lean_azimuth_deg REAL,
	noise_dn REAL, blur_px REAL, saturated_percent REAL, dark_percent REAL,

	UNIQUE (picture_sha256, part, view),
	FOREIGN KEY (part, lot) REFERENCES lots (part, name),
	FOREIGN KEY (part, lot, sample) REFERENCES samples (part, lot, name)
);
CREATE INDEX shots_time ON shots (taken_at);
CREATE INDEX shots_chart ON shots (part, view, taken_at);
CREATE INDEX shots_head ON shots (head, part, view, taken_at);
CREATE INDEX shots_line ON shots (line, part, view, taken_at);
CREATE INDEX shots_lot ON shots (lot, part, view, taken_at);
CREATE INDEX shots_sample ON shots (sample, part, view, taken_at);
CREATE INDEX shots_not_accepted ON shots (part, view, taken_at) WHERE verdict <> 'accept';

-- Every reading of every shot. body is its JSON without the sites, compressed; digest is the
-- SHA-256 of the whole.
CREATE TABLE readings (
	shot_id     INTEGER NOT NULL REFERENCES shots (id),
	number      INTEGER NOT NULL, -- from 1
	recorded_at TIMESTAMP NOT NULL,
	part_id     INTEGER NOT NULL REFERENCES parts (id),
	scope_id    INTEGER NOT NULL REFERENCES scopes (id),
	digest      BLOB NOT NULL,
	body        BLOB NOT NULL,
	PRIMARY KEY (shot_id, number)
);

-- The names of an array's sites in the order of its readings, each list once.
CREATE TABLE site_lists (
	id     INTEGER PRIMARY KEY AUTOINCREMENT,
	digest BLOB NOT NULL UNIQUE,
	names  BLOB NOT NULL
);

-- The sites of a reading, columns of numbers packed together; docs/store.md has the form.
CREATE TABLE site_readings (
	shot_id INTEGER NOT NULL,
	number  INTEGER NOT NULL,
	list_id INTEGER NOT NULL REFERENCES site_lists (id),
	states  BLOB NOT NULL,
	places  BLOB NOT NULL,
	tilts   BLOB NOT NULL,
	rest    BLOB NOT NULL,
	PRIMARY KEY (shot_id, number),
	FOREIGN KEY (shot_id, number) REFERENCES readings (shot_id, number)
);
