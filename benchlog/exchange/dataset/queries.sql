-- Questions to a dataset, for DuckDB: run `duckdb -f queries.sql` in its folder.
-- Any engine that reads Parquet with folder names as columns can ask the same.
-- Offsets are ppm of nominal, positive runs fast; u_ppm is the expanded uncertainty.

create or replace view runs as
select * from read_parquet('runs/**/*.parquet',
  hive_partitioning = true, hive_types_autocast = false, union_by_name = true);

create or replace view readings as
select * from read_parquet('readings/**/*.parquet',
  hive_partitioning = true, hive_types_autocast = false, union_by_name = true);

create or replace view lots as
select * from read_parquet('lots/*.parquet', union_by_name = true);

-- What counts of an inspection: the newest run of each device that counts. A run that
-- was taken back, voided, broken off or measured again does not, and tells why in
-- `does_not_count`. A damaged device is a failed one; one that passed against more than
-- its tolerance, unasked, is undecided. Files of before that do not tell whether a run
-- counts: there it does unless it was voided or set aside.
create or replace view counted_runs as
select *, coalesce(counts, void is null and not set_aside
    and ((ended_how is not null and verdict is not null) or damaged)) as does_count
from runs;

create or replace view inspected_devices as
select *, case when damaged then 'fail'
    when verdict = 'pass' and not coalesce(over_temperature, false)
      and limit_ppm > tolerance_ppm * (1 + 1e-9) then 'undecided'
    else verdict end as word
from counted_runs
where inspected and does_count
qualify row_number() over (
  partition by part, lot, device order by started_utc_ns desc, run desc) = 1;

-- One row a device: its newest run that counts, wherever it was measured.
create or replace view results as
select *, case when damaged then 'fail' else verdict end as word
from counted_runs
where does_count and purpose not in ('refcheck', 'trim')
qualify row_number() over (
  partition by part, lot, device order by started_utc_ns desc, run desc) = 1;

-- What devices were measured as they are: no check of a time base, no trim of a device
-- that is another afterwards, no damaged one, nothing that does not count. A run that a
-- newer one replaced in its lot was a good measurement of its day.
create or replace view measured as
select * from counted_runs
where (does_count or does_not_count like 'measured again in run %') and not damaged
  and offset_ppm is not null and purpose not in ('refcheck', 'trim');

-- Yield per supplier and week (weeks begin on Monday, UTC).
create or replace view yield_per_week as
select supplier, part, date_trunc('week', started at time zone 'UTC') as week,
  count(*) as devices,
  count(*) filter (word = 'pass') as passed,
  count(*) filter (word = 'fail') as failed,
  count(*) filter (word = 'undecided') as undecided,
  passed / nullif(passed + failed, 0) as yield,
  avg(offset_ppm) as mean_ppm, stddev_samp(offset_ppm) as sd_ppm
from inspected_devices
group by all
order by supplier, part, week;

-- Drift of one bench against another: per part and week, how far the mean of what a
-- bench measured lies from the mean of all benches, and the standard error of that.
-- Lots differ too: trust what many lots show, or measure one device on every bench.
create or replace view bench_against_others as
with weekly as (
  select *, date_trunc('week', started at time zone 'UTC') as week
  from measured
)
select part, week, bench, count(*) as runs, count(distinct device) as devices,
  avg(offset_ppm) - any_value(all_mean) as against_all_ppm,
  stddev_samp(offset_ppm) / sqrt(count(*)) as standard_error_ppm
from (select *, avg(offset_ppm) over (partition by part, week) as all_mean from weekly)
group by part, week, bench
order by part, week, bench;

-- The same device on several benches: what the benches differ by, the device taken out.
create or replace view same_device_on_benches as
select part, device, count(distinct bench) as benches,
  max(mean_ppm) - min(mean_ppm) as apart_ppm
from (
  select part, device, bench, avg(offset_ppm) as mean_ppm
  from measured group by all
)
group by part, device
having benches > 1
order by apart_ppm desc;

-- Ageing of a part family: a straight line through each device that was measured at
-- least three times, and the middle of these lines.
create or replace view ageing_of_devices as
select kind, part, device, count(*) as runs,
  (max(started_utc_ns) - min(started_utc_ns)) / 86400e9 as days,
  365.25 * regr_slope(offset_ppm, started_utc_ns / 86400e9) as ppm_per_year
from measured
group by kind, part, device
having count(*) >= 3 and days > 0;

create or replace view ageing_of_kinds as
select kind, count(*) as devices, median(ppm_per_year) as median_ppm_per_year,
  quantile_cont(ppm_per_year, 0.1) as tenth, quantile_cont(ppm_per_year, 0.9) as ninth
from ageing_of_devices
group by kind
order by kind;

from yield_per_week;
from bench_against_others;
from same_device_on_benches;
from ageing_of_kinds;
