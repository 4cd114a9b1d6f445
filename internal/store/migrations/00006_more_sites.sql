-- What sites have that the other columns don't hold, JSON, packed; NULL when they hold all.
ALTER TABLE site_readings ADD COLUMN more BLOB;
