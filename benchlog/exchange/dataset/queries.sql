-- Questions to a dataset. For DuckDB: run `duckdb -f queries.sql` in its folder.
-- The first three views open the files, in DuckDB's way; an engine that opens them in
-- its own under the same names answers all that follows unchanged. In the folder:
--   ClickHouse (local), for `run`, and likewise `reading`:
--     create or replace view run_copies as select *
--     from file('runs/part=*/month=*/*.parquet', Parquet)
--     settings use_hive_partitioning = 1
--     and for lots: ... from file('lots/*.parquet', Parquet)
--   Spark, for `run`, and likewise `reading`:
--     create table run_copies using parquet location 'runs';
--     msck repair table run_copies
--     and for lots: create table lot_copies using parquet location 'lots'
--     In an object store name the folders by s3a:// where Spark has hadoop-aws. Without
--     it, pyarrow reads them (Spark 4, in Python; spark_tables.py is beside this file
--     where benchlog is installed): spark.sparkContext.addPyFile("spark_tables.py");
--     from spark_tables import open_tables; open_tables(spark, "s3://bucket/folder")
--   DataFusion (Python), for `run`, and likewise `reading`:
--     keys = [("part", pa.string()), ("month", pa.string())]
--     context.register_parquet("run_copies", "runs", table_partition_cols=keys)
--     and for lots: context.register_parquet("lot_copies", "lots")
-- Offsets are ppm of nominal, positive runs fast; u_ppm is the expanded uncertainty.

create or replace view run_copies as
select * from read_parquet('runs/**/*.parquet',
  hive_partitioning = true, hive_types_autocast = false, union_by_name = true);

create or replace view reading_copies as
select * from read_parquet('readings/**/*.parquet',
  hive_partitioning = true, hive_types_autocast = false, union_by_name = true);

create or replace view lot_copies as
select * from read_parquet('lots/*.parquet', union_by_name = true);

-- Of the copies of a run the one that said so last tells whether it is void, set aside
-- or damaged, of which device and lot it is and who measured it, each by itself,
-- whatever else was said in another copy since. Files of before tell no time of it: it
-- was said by when the row was of.
create or replace view run_states as
select uid,
  max(case when void_nth = 1 then void end) as void_said,
  max(case when aside_nth = 1 then aside end) as aside_said,
  max(case when aside_nth = 1 then held end) as held_said,
  max(case when aside_nth = 1 and set_aside then 1 else 0 end) as set_aside_said,
  max(case when damaged_nth = 1 and damaged then 1 else 0 end) as damaged_said,
  max(case when device_nth = 1 then device end) as device_said,
  max(case when device_nth = 1 then device_typed end) as device_typed_said,
  max(case when lot_nth = 1 then lot end) as lot_said,
  max(case when lot_nth = 1 then supplier end) as supplier_said,
  max(case when lot_nth = 1 then lot_size end) as lot_size_said,
  max(case when lot_nth = 1 and inspected then 1 else 0 end) as inspected_said,
  max(case when operator_nth = 1 then operator end) as operator_said,
  max(case when told_nth = 1 then unfinished end) as unfinished_said,
  max(case when told_nth = 1 then replaced end) as replaced_said,
  max(case when told_nth = 1 and marked then 1 else 0 end) as marked_said
from (
  select uid, void, aside, held, set_aside, damaged, device, device_typed, lot,
    supplier, lot_size, inspected, operator, unfinished, replaced, marked,
    row_number() over (partition by uid order by imported,
      as_of_utc_ns desc, judged_at desc, pack desc, source desc) as told_nth,
    row_number() over (partition by uid order by imported,
      case when void_at is null then 1 else 0 end, void_at desc,
      judged_at desc, as_of_utc_ns desc, pack desc, source desc) as void_nth,
    row_number() over (partition by uid order by imported,
      case when aside_at is null then 1 else 0 end, aside_at desc,
      judged_at desc, as_of_utc_ns desc, pack desc, source desc) as aside_nth,
    row_number() over (partition by uid order by imported,
      case when damaged_at is null then 1 else 0 end, damaged_at desc,
      judged_at desc, as_of_utc_ns desc, pack desc, source desc) as damaged_nth,
    row_number() over (partition by uid order by imported,
      case when device_at is null then 1 else 0 end, device_at desc,
      judged_at desc, as_of_utc_ns desc, pack desc, source desc) as device_nth,
    row_number() over (partition by uid order by imported,
      case when lot_utc_ns is null then 1 else 0 end, lot_utc_ns desc,
      judged_at desc, as_of_utc_ns desc, pack desc, source desc) as lot_nth,
    row_number() over (partition by uid order by imported,
      case when operator_utc_ns is null then 1 else 0 end, operator_utc_ns desc,
      judged_at desc, as_of_utc_ns desc, pack desc, source desc) as operator_nth
  from (
    select run_uid as uid, void, aside, held, set_aside, damaged, device, device_typed,
      lot, supplier, lot_size, inspected, operator, lot_utc_ns, operator_utc_ns,
      unfinished, replaced, marked, imported, as_of_utc_ns, pack, source,
      coalesce(judged_utc_ns, as_of_utc_ns) as judged_at,
      coalesce(device_utc_ns, case when device_typed is not null then as_of_utc_ns end)
        as device_at,
      coalesce(void_utc_ns, case when void is not null then as_of_utc_ns end)
        as void_at,
      coalesce(aside_utc_ns, case when set_aside then as_of_utc_ns end) as aside_at,
      coalesce(damaged_utc_ns, case when damaged then as_of_utc_ns end) as damaged_at
    from run_copies) as dated) as numbered
group by uid;

-- Each run once, whatever was copied, merged, backed up or imported: `run_uid` is the
-- same in all copies. What was measured goes before an import of it, then what was judged
-- last, as this part or another, then what was told last. `does_not_count` has the reason.
create or replace view runs as
select source, run_uid, pack, revision, part, month, lot_said as lot, day, week,
  purpose, device_said as device, device_typed_said as device_typed, void_said as void,
  supplier_said as supplier, kind, bench, position, operator_said as operator, software,
  ended_how, counter, counter_serial, verdict, timebase, timebase_doubt,
  held_said as held, run, lot_size_said as lot_size, readings, gaps, nominal_hz,
  divider, offset_ppm, u_ppm, limit_ppm, conformance, jitter_ppm_rms, ambient_c, gate_s,
  span_s, timebase_offset_ppm, timebase_u_ppm, tolerance_ppm, simulated, imported,
  inspected_said = 1 as inspected, set_aside_said = 1 as set_aside,
  damaged_said = 1 as damaged, over_temperature, marked_said = 1 as marked, planned, started, ended,
  started_utc_ns, as_of_utc_ns, measured_part,
  case when unfinished_said is null and void_said is null then counts_there
    else why is null end as counts, why as does_not_count
from (
  select *, case when void_said = '' then 'void'
      when void_said is not null then concat('void (', void_said, ')')
      when unfinished_said is null then does_not_count_there
      when aside_said <> '' then aside_said
      when unfinished_said <> '' and damaged_said = 0 then unfinished_said
      when replaced_said <> '' then replaced_said end as why
  from (
    select *, counts as counts_there, does_not_count as does_not_count_there,
      row_number() over (
        partition by run_uid
        order by imported, coalesce(judged_utc_ns, as_of_utc_ns) desc,
          as_of_utc_ns desc, pack desc, source desc) as copy_number
    from run_copies) as copies
  join run_states on run_states.uid = copies.run_uid
  where copy_number = 1) as told;

-- Each reading once: those of the copy of its run that counts. `device` and `lot` are
-- those of that copy; the run has what was said of them last, wherever it was said.
create or replace view readings as
select reading_copies.* from reading_copies
join (select run_uid as uid, pack as in_pack, source as of_source from runs) as of_run
  on reading_copies.run_uid = of_run.uid and reading_copies.pack = of_run.in_pack
  and reading_copies.source = of_run.of_source;

-- Each lot once: with the plan of the database in which it was opened first.
create or replace view lots as
select * from (
  select *, row_number() over (
    partition by part, lot
    order by case when plan is null then 2 when opened_utc_ns is null then 1 else 0 end,
      opened_utc_ns, source) as copy_number
  from lot_copies) as copies
where copy_number = 1;

-- What counts of an inspection: the newest run of each device that counts. A run that
-- was taken back, voided, broken off or measured again does not, and tells why in
-- `does_not_count`. One that was measured again gives way only where the newer one is
-- here and counts: another copy may have voided that one. A damaged device is a failed
-- one; one that passed against more than its tolerance, unasked, is undecided, and so is
-- one whose verdict is on another part than `measured_part`, the part of its lot, and
-- one that passed against more than others of its lot. Files of before that do not tell
-- whether a run counts: there it does unless it was voided or set aside.
create or replace view counted_runs as
select *, coalesce(counts, void is null and not set_aside
    and ((ended_how is not null and verdict is not null) or damaged)) as does_count
from runs;

create or replace view inspected_devices as
select *, case when damaged then 'fail'
    when measured_part is not null then 'undecided'
    when verdict = 'pass' and not coalesce(over_temperature, false)
      and limit_ppm > tolerance_ppm * (1 + 1e-9) then 'undecided'
    when verdict = 'pass' and tolerance_ppm > tightest_ppm * (1 + 1e-9)
      then 'undecided'
    else verdict end as word
from (
  select *, min(case when verdict is not null and measured_part is null
    then tolerance_ppm end) over (
    partition by coalesce(measured_part, part), lot) as tightest_ppm
  from (
    select *, row_number() over (
      partition by coalesce(measured_part, part), lot, device
      order by coalesce(started_utc_ns, 0) desc, run desc, run_uid) as newest
    from counted_runs
    where inspected and (does_count or does_not_count like 'measured again in run %'))
    as inspected_runs
  where newest = 1) as newest_runs;

-- One row a device: its newest run that counts, wherever it was measured.
create or replace view results as
select *, case when damaged then 'fail' else verdict end as word
from (
  select *, row_number() over (
    partition by part, lot, device
    order by coalesce(started_utc_ns, 0) desc, run desc, run_uid) as newest
  from counted_runs
  where (does_count or does_not_count like 'measured again in run %')
    and purpose not in ('refcheck', 'trim')) as device_runs
where newest = 1;

-- What devices were measured as they are: no check of a time base, no trim of a device
-- that is another afterwards, no damaged one, nothing that does not count. A run that a
-- newer one replaced in its lot was a good measurement of its day.
create or replace view measured as
select * from counted_runs
where (does_count or does_not_count like 'measured again in run %') and not damaged
  and offset_ppm is not null and purpose not in ('refcheck', 'trim');

-- Yield per supplier and week; `week` is the day of its Monday, UTC.
create or replace view yield_per_week as
select supplier, part, week, devices, passed, failed, undecided,
  1.0 * passed / nullif(passed + failed, 0) as yield, mean_ppm, sd_ppm
from (
  select supplier, part_of_lot as part, week, count(*) as devices,
    sum(case when word = 'pass' then 1 else 0 end) as passed,
    sum(case when word = 'fail' then 1 else 0 end) as failed,
    sum(case when word = 'undecided' then 1 else 0 end) as undecided,
    avg(offset_ppm) as mean_ppm, stddev_samp(offset_ppm) as sd_ppm
  from (select *, coalesce(measured_part, part) as part_of_lot
    from inspected_devices) as of_lots
  group by supplier, part_of_lot, week) as weekly
order by supplier, part, week;

-- Drift of one bench against another: per part and week, how far the mean of what a
-- bench measured lies from the mean of all benches, and the standard error of that.
-- Lots differ too: trust what many lots show, or measure one device on every bench.
create or replace view bench_against_others as
select part, week, bench, count(*) as runs, count(distinct device) as devices,
  avg(offset_ppm) - max(all_mean) as against_all_ppm,
  stddev_samp(offset_ppm) / sqrt(count(*)) as standard_error_ppm
from (
  select part, week, bench, device, offset_ppm,
    avg(offset_ppm) over (partition by part, week) as all_mean
  from measured) as weekly
group by part, week, bench
order by part, week, bench;

-- The same device on several benches: what the benches differ by, the device taken out.
create or replace view same_device_on_benches as
select part, device, benches, apart_ppm
from (
  select part, device, count(distinct bench) as benches,
    max(mean_ppm) - min(mean_ppm) as apart_ppm
  from (
    select part, device, bench, avg(offset_ppm) as mean_ppm
    from measured
    group by part, device, bench) as of_benches
  group by part, device) as of_devices
where benches > 1
order by apart_ppm desc;

-- Ageing of a part family: a straight line through each device that was measured at
-- least three times, and the middle of these lines.
create or replace view ageing_of_devices as
select kind, part, device, runs, days,
  365.25 * covariance / variance as ppm_per_year
from (
  select kind, part, device, count(*) as runs, max(day_number) as days,
    covar_samp(offset_ppm, day_number) as covariance, var_samp(day_number) as variance
  from (
    select kind, part, device, offset_ppm,
      (started_utc_ns - min(started_utc_ns) over (partition by kind, part, device))
        / 86400e9 as day_number
    from measured
    where started_utc_ns is not null) as since_first
  group by kind, part, device) as lines
where runs >= 3 and days > 0;

create or replace view ageing_of_kinds as
select kind, max(n) as devices,
  sum(case when abs(nth - 1 - 0.5 * (n - 1)) < 1
    then ppm_per_year * (1 - abs(nth - 1 - 0.5 * (n - 1))) else 0 end)
    as median_ppm_per_year,
  sum(case when abs(nth - 1 - 0.1 * (n - 1)) < 1
    then ppm_per_year * (1 - abs(nth - 1 - 0.1 * (n - 1))) else 0 end) as tenth,
  sum(case when abs(nth - 1 - 0.9 * (n - 1)) < 1
    then ppm_per_year * (1 - abs(nth - 1 - 0.9 * (n - 1))) else 0 end) as ninth
from (
  select kind, ppm_per_year, count(*) over (partition by kind) as n,
    row_number() over (partition by kind order by ppm_per_year) as nth
  from ageing_of_devices) as ranked
group by kind
order by kind;

select * from yield_per_week;
select * from bench_against_others;
select * from same_device_on_benches;
select * from ageing_of_kinds;
