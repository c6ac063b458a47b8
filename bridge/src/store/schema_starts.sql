-- Starts are counted from the index alone: a decision is long, and a year has thousands.
DROP INDEX decision_load;
CREATE INDEX decision_load ON decision (load, tick, is_on);
