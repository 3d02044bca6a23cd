-- +goose Up

-- Who did what. Acts are only ever added, like events.
CREATE TABLE audit (
  seq     INTEGER PRIMARY KEY AUTOINCREMENT,
  at      INTEGER NOT NULL,
  who     TEXT    NOT NULL, -- empty: at this computer, without a name
  origin  TEXT    NOT NULL, -- network address
  did     TEXT    NOT NULL,
  object  TEXT    NOT NULL,
  outcome TEXT    NOT NULL, -- done, or why it was refused
  sum     INTEGER NOT NULL
) STRICT;
CREATE INDEX audit_at ON audit (at);
-- +goose StatementBegin
CREATE TRIGGER audit_kept BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'acts are never deleted'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER audit_fixed BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'acts are never changed'); END;
-- +goose StatementEnd

-- +goose Down
SELECT 1;
