CREATE TABLE records (
  id       INTEGER PRIMARY KEY,
  path     TEXT NOT NULL UNIQUE,
  identity TEXT NOT NULL,     -- of the file, as the system tells it
  size     INTEGER NOT NULL,  -- bytes
  link     TEXT NOT NULL,     -- of its last line
  unit     TEXT NOT NULL COLLATE NOCASE,
  kind     TEXT NOT NULL,
  serial   TEXT NOT NULL COLLATE NOCASE,  -- as planned
  site     TEXT NOT NULL,
  person   TEXT NOT NULL,
  mode     TEXT NOT NULL,
  started  INTEGER NOT NULL,  -- nanoseconds since 1970-01-01
  zone     INTEGER NOT NULL,  -- seconds east of UTC
  ending   TEXT NOT NULL,     -- its code, "" for none
  code     INTEGER NOT NULL,  -- exit code
  fault    TEXT NOT NULL      -- kind of fault, "" for a whole record
);
CREATE INDEX records_unit ON records (unit, started);
CREATE INDEX records_serial ON records (serial);
CREATE INDEX records_started ON records (started);
CREATE INDEX records_identity ON records (identity);

CREATE TABLE stages (
  record INTEGER NOT NULL REFERENCES records ON DELETE CASCADE,
  name   TEXT NOT NULL COLLATE NOCASE,
  event  INTEGER NOT NULL,
  at     INTEGER NOT NULL
);
CREATE INDEX stages_name ON stages (name, record);
CREATE INDEX stages_record ON stages (record);

CREATE TABLE facts (
  record INTEGER NOT NULL REFERENCES records ON DELETE CASCADE,
  name   TEXT NOT NULL COLLATE NOCASE,
  text   TEXT NOT NULL COLLATE NOCASE,
  event  INTEGER NOT NULL,
  at     INTEGER NOT NULL
);
CREATE INDEX facts_name ON facts (name, text, record);
CREATE INDEX facts_text ON facts (text, record);
CREATE INDEX facts_record ON facts (record);

CREATE TABLE visits ( -- what only visits have
  record INTEGER NOT NULL REFERENCES records ON DELETE CASCADE,
  kind   TEXT NOT NULL,     -- part, step, look, punch
  name   TEXT NOT NULL COLLATE NOCASE,
  state  TEXT NOT NULL COLLATE NOCASE,
  text   TEXT NOT NULL,
  event  INTEGER NOT NULL,
  at     INTEGER NOT NULL
);
CREATE INDEX visits_name ON visits (kind, name, record);
CREATE INDEX visits_record ON visits (record);

CREATE TABLE spans ( -- the rows of lines that a record has
  record INTEGER PRIMARY KEY REFERENCES records ON DELETE CASCADE,
  low    INTEGER NOT NULL,
  high   INTEGER NOT NULL
);
CREATE VIRTUAL TABLE lines USING fts5(text, record UNINDEXED, event UNINDEXED, at UNINDEXED, tokenize = "unicode61 remove_diacritics 2");
