-- +goose Up

-- What can never be sent is given up, and stays to be looked at.
ALTER TABLE alert ADD COLUMN gone INTEGER;
DROP INDEX alert_due;
CREATE INDEX alert_due ON alert (due) WHERE sent IS NULL AND gone IS NULL;

-- View: the last event of each point where an alert can stand. That event says
-- all of it.
CREATE TABLE point (
  name   TEXT    PRIMARY KEY,
  seq    INTEGER NOT NULL REFERENCES event,
  normal INTEGER NOT NULL -- 1: nothing stands there
) STRICT;
CREATE INDEX event_alert ON event (time) WHERE substr(type, 1, 17) = 'benchvigil.alert.';

-- What outlets keep, such as keys and the addresses of phones.
CREATE TABLE kept (
  kind TEXT NOT NULL,
  key  TEXT NOT NULL,
  data TEXT NOT NULL,
  PRIMARY KEY (kind, key)
) STRICT;

-- +goose Down
SELECT 1;
