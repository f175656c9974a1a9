-- The position of its switch that a box was set to; empty for a network of one curve.
ALTER TABLE networks ADD COLUMN position TEXT NOT NULL DEFAULT '';
-- One file with several titles is a box: each title ends with the position, behind the last comma.
UPDATE networks SET position = ltrim(substr(title, length(rtrim(title, replace(title, ',', ''))) + 1))
WHERE digest <> '' AND title LIKE '%, %'
    AND digest IN (SELECT digest FROM networks GROUP BY digest HAVING count(DISTINCT title) > 1);
