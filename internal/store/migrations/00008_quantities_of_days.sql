-- Which quantities the shots of a day have, a bit each in the order of the program's list; every bit
-- where nobody has noted it.
ALTER TABLE days ADD COLUMN quantities INTEGER NOT NULL DEFAULT -1;
