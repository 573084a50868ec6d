-- +goose Up

-- A finding is told when units on hold take its signals away, and when they come back.
ALTER TABLE finding_events DROP CONSTRAINT finding_events_kind_check;
ALTER TABLE finding_events ADD CONSTRAINT finding_events_kind_check
    CHECK (kind IN ('opened', 'signals', 'grown', 'looked', 'cause', 'action', 'returned', 'closed', 'reopened', 'withdrawn', 'standing'));
