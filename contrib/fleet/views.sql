-- wane, views of a fleet: made anew whenever the tables are brought up to date.
-- SPDX-License-Identifier: GPL-3.0-or-later
--
-- What was measured, what a virtual bench made up (SIMULATED) and what was computed from recorded logs (imported) never come
-- together in one figure: label keeps them apart.

-- Campaigns at a glance. published: all that its file held has arrived.
CREATE OR REPLACE VIEW wane.campaigns AS
SELECT m.bench, m.station, m.name AS campaign, l.name AS cell_type, m.procedure,
    CASE WHEN m.simulated THEN 'SIMULATED' WHEN m.imported THEN 'imported' ELSE 'measured' END AS label,
    m.status, m.cycles, m.cycles_planned,
    (SELECT count(*) FROM wane.cycle c WHERE c.campaign_id = m.campaign_id) = m.cycles
        AND (SELECT count(*) FROM wane.check_up k WHERE k.campaign_id = m.campaign_id) = m.check_ups
        AND (SELECT count(*) FROM wane.event e WHERE e.campaign_id = m.campaign_id) = m.events AS published,
    (SELECT c.capacity_ah FROM wane.cycle c WHERE c.campaign_id = m.campaign_id AND c.valid AND c.capacity_ah IS NOT NULL
        ORDER BY c.cycle LIMIT 1) AS first_capacity_ah,
    (SELECT c.capacity_ah FROM wane.cycle c WHERE c.campaign_id = m.campaign_id AND c.valid AND c.capacity_ah IS NOT NULL
        ORDER BY c.cycle DESC LIMIT 1) AS last_capacity_ah,
    (SELECT c.capacity_ah FROM wane.cycle c WHERE c.campaign_id = m.campaign_id AND c.valid AND c.capacity_ah IS NOT NULL
        ORDER BY c.cycle DESC LIMIT 1) / nullif(l.rated_capacity_ah, 0) AS retention_of_rated,
    (SELECT count(*) FROM wane.event e WHERE e.campaign_id = m.campaign_id AND e.severity = 'alarm' AND NOT e.acknowledged)
        AS open_alarms,
    m.created_utc,
    (SELECT max(b.changed_utc) FROM wane.bench b WHERE b.campaign_id = m.campaign_id) AS changed_utc,
    m.campaign_id
FROM wane.campaign m JOIN wane.cell l ON l.campaign_id = m.campaign_id;

-- How a type of cell fades: over all campaigns with the same procedure, cycle by cycle. Only cycles whose capacity counts; look
-- at campaigns, too: late cycles are those of the cells that have lived so long.
CREATE OR REPLACE VIEW wane.fade_by_cell_type AS
SELECT l.name AS cell_type, l.rated_capacity_ah, m.procedure,
    CASE WHEN m.simulated THEN 'SIMULATED' WHEN m.imported THEN 'imported' ELSE 'measured' END AS label,
    c.cycle, count(*) AS campaigns, count(DISTINCT m.bench || '/' || m.station) AS stations,
    percentile_cont(0.5) WITHIN GROUP (ORDER BY c.capacity_ah) AS capacity_median_ah,
    min(c.capacity_ah) AS capacity_min_ah,
    max(c.capacity_ah) AS capacity_max_ah,
    percentile_cont(0.5) WITHIN GROUP (ORDER BY c.capacity_u_ah) AS capacity_u_median_ah,
    percentile_cont(0.25) WITHIN GROUP (ORDER BY c.capacity_ah / nullif(l.rated_capacity_ah, 0)) AS retention_quarter,
    percentile_cont(0.5) WITHIN GROUP (ORDER BY c.capacity_ah / nullif(l.rated_capacity_ah, 0)) AS retention_median,
    percentile_cont(0.75) WITHIN GROUP (ORDER BY c.capacity_ah / nullif(l.rated_capacity_ah, 0)) AS retention_three_quarters,
    percentile_cont(0.5) WITHIN GROUP (ORDER BY c.resistance_ohm) AS resistance_median_ohm
FROM wane.cycle c
    JOIN wane.campaign m ON m.campaign_id = c.campaign_id
    JOIN wane.cell l ON l.campaign_id = c.campaign_id
WHERE c.valid AND c.capacity_ah IS NOT NULL AND l.name <> 'unknown'
GROUP BY l.name, l.rated_capacity_ah, m.procedure, 4, c.cycle;

-- What each station measured at first (the first cycle that counts, of the first three) beside the median of all campaigns with this
-- type of cell and this procedure. residual: 0.01 is 1 % above that median.
CREATE OR REPLACE VIEW wane.first_capacity AS
WITH first AS (
    SELECT DISTINCT ON (c.campaign_id) c.campaign_id, m.bench, m.station, m.name AS campaign, m.tester, l.name AS cell_type,
        l.rated_capacity_ah, m.procedure,
        CASE WHEN m.simulated THEN 'SIMULATED' WHEN m.imported THEN 'imported' ELSE 'measured' END AS label,
        m.created_utc, c.cycle, c.capacity_ah, c.capacity_u_ah
    FROM wane.cycle c
        JOIN wane.campaign m ON m.campaign_id = c.campaign_id
        JOIN wane.cell l ON l.campaign_id = c.campaign_id
    WHERE c.valid AND c.capacity_ah IS NOT NULL AND c.cycle <= 3 AND l.name <> 'unknown'
    ORDER BY c.campaign_id, c.cycle
), type AS (
    SELECT cell_type, rated_capacity_ah, procedure, label, count(*) AS campaigns_of_type,
        count(DISTINCT bench || '/' || station) AS stations_of_type,
        percentile_cont(0.5) WITHIN GROUP (ORDER BY capacity_ah) AS median_of_type_ah
    FROM first GROUP BY cell_type, rated_capacity_ah, procedure, label
)
SELECT f.bench, f.station, f.campaign, f.tester, f.cell_type, f.procedure, f.label, f.created_utc, f.cycle, f.capacity_ah,
    f.capacity_u_ah, t.median_of_type_ah, f.capacity_ah / nullif(t.median_of_type_ah, 0) - 1 AS residual,
    f.capacity_u_ah / nullif(f.capacity_ah, 0) AS residual_u, t.campaigns_of_type, t.stations_of_type, f.campaign_id
FROM first f
    JOIN type t ON t.cell_type = f.cell_type AND t.rated_capacity_ah IS NOT DISTINCT FROM f.rated_capacity_ah
        AND t.procedure = f.procedure AND t.label = f.label;

-- Does a station read high or low, and does that change? Over types of cells that were measured at least three times, on at least
-- two stations: comparable counts them, and without any nothing is told. residual_u is the stated standard uncertainty, which
-- the campaigns of a station have in common and which their number does not make smaller; beside it stands how much
-- cells of a type differ: a residual says something about the station only when many campaigns agree in it.
CREATE OR REPLACE VIEW wane.station_drift AS
SELECT bench, station, label, count(*) AS campaigns,
    count(*) FILTER (WHERE campaigns_of_type >= 3 AND stations_of_type >= 2) AS comparable,
    count(DISTINCT cell_type) FILTER (WHERE campaigns_of_type >= 3 AND stations_of_type >= 2) AS cell_types,
    percentile_cont(0.5) WITHIN GROUP (ORDER BY residual)
        FILTER (WHERE campaigns_of_type >= 3 AND stations_of_type >= 2) AS residual_median,
    min(residual) FILTER (WHERE campaigns_of_type >= 3 AND stations_of_type >= 2) AS residual_min,
    max(residual) FILTER (WHERE campaigns_of_type >= 3 AND stations_of_type >= 2) AS residual_max,
    sqrt(avg(residual_u * residual_u) FILTER (WHERE campaigns_of_type >= 3 AND stations_of_type >= 2)) AS residual_u,
    CASE WHEN count(*) FILTER (WHERE campaigns_of_type >= 3 AND stations_of_type >= 2) >= 3 THEN
        regr_slope(residual, extract(epoch FROM created_utc)::double precision / 31557600)
            FILTER (WHERE campaigns_of_type >= 3 AND stations_of_type >= 2) END AS residual_per_year,
    min(created_utc) AS from_utc, max(created_utc) AS to_utc
FROM wane.first_capacity
GROUP BY bench, station, label;

-- Every alarm, those that nobody has acknowledged first.
CREATE OR REPLACE VIEW wane.alarms AS
SELECT NOT e.acknowledged AS open, e.recorded_utc, m.bench, m.station, m.name AS campaign,
    CASE WHEN m.simulated THEN 'SIMULATED' WHEN m.imported THEN 'imported' ELSE 'measured' END AS label,
    e.cycle, e.kind, e.text, e.acknowledged_by, e.acknowledged_utc, e.number, m.campaign_id
FROM wane.event e JOIN wane.campaign m ON m.campaign_id = e.campaign_id
WHERE e.severity = 'alarm'
ORDER BY e.acknowledged, e.recorded_utc DESC, m.bench, m.name, e.number;
