-- wane: who may do what in the database of a fleet, as an example. Run it once as its owner, after `wane publish --prepare`.
-- SPDX-License-Identifier: GPL-3.0-or-later
--
-- Then: CREATE ROLE bench_1 LOGIN PASSWORD '...' IN ROLE wane_publish;   for each bench
--       CREATE ROLE anna LOGIN PASSWORD '...' IN ROLE wane_look;         for each reader
-- A bench can add and correct, not delete; `wane publish --replace` needs DELETE, too. Benches trust each other: what one has
-- published another could overwrite with other means than wane.
CREATE ROLE wane_publish NOLOGIN;
CREATE ROLE wane_look NOLOGIN;
GRANT USAGE ON SCHEMA wane TO wane_publish, wane_look;
GRANT SELECT ON ALL TABLES IN SCHEMA wane TO wane_publish, wane_look;
GRANT INSERT, UPDATE ON wane.campaign, wane.bench, wane.cell, wane.cycle, wane.check_up, wane.event TO wane_publish;
