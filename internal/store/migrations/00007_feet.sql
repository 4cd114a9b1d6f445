-- Where the columns stand, packed; NULL when no site has a foot.
ALTER TABLE site_readings ADD COLUMN feet BLOB;
