-- One row a life of a site's journal.
CREATE TABLE fleet.epochs (
    site        text        NOT NULL,
    epoch       text        NOT NULL,
    begins      bigint      NOT NULL,
    first_heard timestamptz NOT NULL DEFAULT now(),
    last_heard  timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (site, epoch)
);

-- Which numbers of it are accounted for: stored, or no event. They neither touch nor overlap.
CREATE TABLE fleet.stretches (
    site   text   NOT NULL,
    epoch  text   NOT NULL,
    first  bigint NOT NULL,
    last   bigint NOT NULL CHECK (last >= first),
    digest text   NOT NULL,
    PRIMARY KEY (site, epoch, first),
    FOREIGN KEY (site, epoch) REFERENCES fleet.epochs ON DELETE CASCADE
);

-- received: by this server's clock; at: by the site's, which may be years off. So partitions and
-- what is dropped with them go by received. That a number is stored once is held by the stretches,
-- which are read and written under a lock of the epoch's row; the key finds it.
CREATE TABLE fleet.events (
    site     text        NOT NULL,
    epoch    text        NOT NULL,
    number   bigint      NOT NULL,
    received timestamptz NOT NULL,
    at       timestamptz NOT NULL,
    sure     boolean     NOT NULL,
    kind     text        NOT NULL,
    subject  text,
    event    jsonb       NOT NULL,
    PRIMARY KEY (site, epoch, number, received)
) PARTITION BY RANGE (received);
CREATE INDEX events_received ON fleet.events USING brin (received);
CREATE INDEX events_at ON fleet.events USING brin (at);

-- What readers are promised: these columns stay, others may be added behind them.
CREATE VIEW fleet.events_v1 AS
SELECT site, epoch, number, at, sure, received, kind, subject, event -> 'data' -> 'record' AS record, event
FROM fleet.events;

CREATE VIEW fleet.sites_v1 AS
SELECT e.site, e.epoch, e.begins, e.first_heard, e.last_heard,
       coalesce((SELECT max(s.last) FROM fleet.stretches s WHERE (s.site, s.epoch) = (e.site, e.epoch)), e.begins - 1) AS newest,
       row_number() OVER (PARTITION BY e.site ORDER BY e.first_heard DESC, e.epoch) = 1 AS latest
FROM fleet.epochs e;

CREATE VIEW fleet.gaps_v1 AS
SELECT site, epoch, first, last FROM (
    SELECT s.site, s.epoch,
           coalesce(lag(s.last) OVER of_one + 1, e.begins) AS first,
           s.first - 1 AS last
    FROM fleet.stretches s JOIN fleet.epochs e USING (site, epoch)
    WINDOW of_one AS (PARTITION BY s.site, s.epoch ORDER BY s.first)
) between_them
WHERE first <= last;
