-- What else belongs to a lockout: its revision, its outlet, and which ones were released.
ALTER TABLE kept ADD COLUMN mark TEXT;
