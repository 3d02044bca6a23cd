-- +goose Up

-- The names that facts use, as numbers.
CREATE TABLE station (
  id   INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
) STRICT;
CREATE TABLE channel (
  id      INTEGER PRIMARY KEY,
  station INTEGER NOT NULL REFERENCES station,
  kind    TEXT    NOT NULL,
  name    TEXT    NOT NULL,
  folded  INTEGER NOT NULL DEFAULT 0, -- pieces up to this number are in blocks
  UNIQUE (station, kind, name)
) STRICT;

-- A stretch of a station's time in which time never goes back.
CREATE TABLE stretch (
  id      INTEGER PRIMARY KEY,
  station INTEGER NOT NULL REFERENCES station,
  began   INTEGER NOT NULL, -- Unix ms, as all times
  anew    INTEGER NOT NULL, -- 1: the station began; 0: the clock was stepped back
  bench   TEXT    NOT NULL, -- its name
  power   TEXT    NOT NULL, -- how it was wired
  vbus    INTEGER NOT NULL,
  usb     INTEGER NOT NULL,
  profile TEXT    NOT NULL,
  window  INTEGER NOT NULL  -- ms, 0: the profile's
) STRICT;
CREATE INDEX stretch_station ON stretch (station, id);

-- Facts. Events and marks are only ever added.
CREATE TABLE event (
  seq       INTEGER PRIMARY KEY AUTOINCREMENT,
  id        BLOB    NOT NULL UNIQUE,
  station   INTEGER NOT NULL REFERENCES station,
  type      TEXT    NOT NULL,
  time      INTEGER NOT NULL,
  concluded INTEGER NOT NULL,
  count     INTEGER NOT NULL,
  data      TEXT    NOT NULL, -- JSON
  sum       INTEGER NOT NULL  -- CRC-32C of the row
) STRICT;
CREATE INDEX event_station ON event (station, time);
CREATE INDEX event_ended ON event (seq) WHERE instr(data, '"ended":') > 0; -- the work that others are compared with
CREATE TABLE mark (
  seq     INTEGER PRIMARY KEY AUTOINCREMENT,
  station INTEGER NOT NULL REFERENCES station,
  stretch INTEGER NOT NULL REFERENCES stretch,
  at      INTEGER NOT NULL,
  kind    TEXT    NOT NULL,
  data    TEXT    NOT NULL,
  sum     INTEGER NOT NULL
) STRICT;
CREATE INDEX mark_station ON mark (station, at);
CREATE INDEX mark_hookup ON mark (station, at) WHERE kind = 'hook-up';
-- +goose StatementBegin
CREATE TRIGGER event_kept BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER event_fixed BEFORE UPDATE ON event BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER mark_kept BEFORE DELETE ON mark BEGIN SELECT RAISE(ABORT, 'marks are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER mark_fixed BEFORE UPDATE ON mark BEGIN SELECT RAISE(ABORT, 'marks are never changed'); END;
-- +goose StatementEnd

-- The other facts that are no readings: USB changes, news of sources and
-- clocks. They go with the traces of their time.
CREATE TABLE fact (
  seq     INTEGER PRIMARY KEY,
  station INTEGER NOT NULL REFERENCES station,
  stretch INTEGER NOT NULL REFERENCES stretch,
  at      INTEGER NOT NULL,
  kind    TEXT    NOT NULL,
  data    TEXT    NOT NULL,
  sum     INTEGER NOT NULL
) STRICT;
CREATE INDEX fact_station ON fact (station, at);

-- Traces. A frame holds the last second of all channels, a block about a
-- minute of one.
CREATE TABLE frame (
  id   INTEGER PRIMARY KEY, -- the number of its first piece
  data BLOB NOT NULL
) STRICT;
CREATE TABLE block (
  id      INTEGER PRIMARY KEY,
  channel INTEGER NOT NULL REFERENCES channel,
  stretch INTEGER NOT NULL REFERENCES stretch,
  start   INTEGER NOT NULL,
  end     INTEGER NOT NULL, -- its last point
  points  INTEGER NOT NULL,
  data    BLOB    NOT NULL
) STRICT;
CREATE INDEX block_channel ON block (channel, end, start, stretch);
CREATE TABLE rollup (
  id   INTEGER PRIMARY KEY REFERENCES block,
  data BLOB NOT NULL
) STRICT;

-- What inference remembered after all observations of the stretch up to at.
CREATE TABLE state (
  station INTEGER PRIMARY KEY REFERENCES station,
  stretch INTEGER NOT NULL REFERENCES stretch,
  at      INTEGER NOT NULL,
  data    BLOB    NOT NULL
) STRICT;

-- Alerts to be sent, written with the events that raised them.
CREATE TABLE alert (
  id       INTEGER PRIMARY KEY AUTOINCREMENT,
  key      TEXT    NOT NULL UNIQUE,
  station  INTEGER NOT NULL REFERENCES station,
  outlet   TEXT    NOT NULL,
  body     TEXT    NOT NULL,
  raised   INTEGER NOT NULL,
  due      INTEGER NOT NULL,
  attempts INTEGER NOT NULL DEFAULT 0,
  sent     INTEGER,
  error    TEXT    NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX alert_due ON alert (due) WHERE sent IS NULL;

-- Views, made from the facts and made again by a rebuild.
CREATE TABLE run (
  id       INTEGER PRIMARY KEY, -- seq of the event that began it
  station  INTEGER NOT NULL REFERENCES station,
  hookup   INTEGER NOT NULL, -- how many hook-ups of the station came before its own
  profile  TEXT    NOT NULL,
  started  INTEGER NOT NULL,
  assumed  INTEGER NOT NULL,
  outcome  TEXT    NOT NULL DEFAULT 'running', -- running, dropped, stopped, unseen
  kind     TEXT    NOT NULL DEFAULT '',
  ended    INTEGER,
  uptime   INTEGER, -- ms
  window   INTEGER,
  met      INTEGER,
  missed   INTEGER,
  restarts INTEGER NOT NULL DEFAULT 0,
  stalls   INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX run_station ON run (station, started);
CREATE INDEX run_open ON run (station) WHERE outcome = 'running';
CREATE TABLE watch (
  id      INTEGER PRIMARY KEY,
  station INTEGER NOT NULL REFERENCES station,
  goal    TEXT    NOT NULL,
  by      TEXT    NOT NULL,
  armed   INTEGER NOT NULL,
  outcome TEXT    NOT NULL DEFAULT 'armed', -- armed, done, failed
  kind    TEXT    NOT NULL DEFAULT '',
  ended   INTEGER
) STRICT;
CREATE INDEX watch_station ON watch (station, armed);
CREATE INDEX watch_open ON watch (station) WHERE outcome = 'armed';
CREATE VIEW hookup AS
  SELECT station, row_number() OVER (PARTITION BY station ORDER BY at, seq) AS number, at, data
  FROM mark WHERE kind = 'hook-up';

-- +goose Down
SELECT 1;
