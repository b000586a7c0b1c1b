-- The first schema of the central database. A released step is never edited: what
-- changes is a new step, in a file of its own.

create table benchlog.schema_steps (
  step bigint not null,
  done_at timestamp with time zone not null,
  software text not null,
  primary key (step)
);

create table benchlog.sources (
  source uuid not null,
  place text not null,
  host text not null,
  software text not null,
  first_seen timestamp with time zone not null,
  primary key (source)
);

create table benchlog.watermarks (
  source uuid not null,
  kind text not null,
  up_to bigint not null,
  digest text not null,
  all_sent_at timestamp with time zone not null,
  primary key (source, kind)
);

create table benchlog.devices (
  device text not null,
  part text not null,
  lot text not null,
  primary key (part, lot, device)
);

create table benchlog.runs (
  run_uid uuid not null,
  source uuid not null,
  run bigint not null,
  purpose text not null,
  made_for text not null,
  device text not null,
  part text not null,
  lot text,
  "position" text not null,
  bench text not null,
  nominal_hz double precision not null,
  divider double precision not null,
  simulated boolean not null,
  started_utc_ns bigint not null,
  ended_utc_ns bigint,
  ended_how text,
  how text,
  planned boolean not null,
  operator text not null,
  note text not null,
  software text not null,
  resolution_hz double precision,
  counter text,
  counter_serial text,
  snapshot jsonb,
  primary key (run_uid)
);

create table benchlog.segments (
  run_uid uuid not null,
  segment bigint not null,
  began_utc_ns bigint not null,
  began_mono_ns bigint not null,
  boot_id text not null,
  primary key (run_uid, segment)
);

create table benchlog.events (
  run_uid uuid not null,
  digest uuid not null,
  source uuid not null,
  "row" bigint not null,
  segment bigint,
  utc_ns bigint not null,
  mono_ns bigint not null,
  kind text not null,
  "text" text not null,
  instrument text not null,
  raw bytea,
  seq bigint generated always as identity,
  primary key (run_uid, digest)
);

create table benchlog.verdicts (
  run_uid uuid not null,
  digest uuid not null,
  source uuid not null,
  "row" bigint not null,
  at_utc_ns bigint not null,
  word text not null,
  offset_ppm double precision,
  u_ppm double precision,
  limit_ppm double precision,
  conformance double precision,
  rule text not null,
  figures jsonb,
  seq bigint generated always as identity,
  primary key (run_uid, digest)
);

create table benchlog.amendments (
  run_uid uuid not null,
  digest uuid not null,
  source uuid not null,
  "row" bigint not null,
  at_utc_ns bigint not null,
  kind text not null,
  "old" text,
  "new" text,
  reason text not null,
  operator text not null,
  seq bigint generated always as identity,
  primary key (run_uid, digest)
);

create table benchlog.quarantine (
  source uuid not null,
  "row" bigint not null,
  run_uid uuid,
  record text not null,
  number bigint not null,
  done text not null,
  reason text not null,
  at_utc_ns bigint not null,
  primary key (source, "row")
);

create table benchlog.reference_checks (
  digest uuid not null,
  source uuid not null,
  "row" bigint not null,
  run_uid uuid,
  maker text not null,
  model text not null,
  serial text not null,
  firmware text not null,
  identity text not null,
  offset_ppm double precision not null,
  u_ppm double precision not null,
  method text not null,
  at_utc_ns bigint not null,
  valid_until_utc_ns bigint not null,
  primary key (digest)
);

create table benchlog.parts (
  source uuid not null,
  part text not null,
  title text not null,
  kind text not null,
  nominal_hz double precision not null,
  body jsonb,
  primary key (source, part)
);

create table benchlog.lots (
  source uuid not null,
  part text not null,
  lot text not null,
  supplier text not null,
  "size" bigint,
  plan jsonb,
  decision text,
  opened_utc_ns bigint not null,
  primary key (source, part, lot)
);

create table benchlog.readings (
  run_uid uuid not null,
  "n" bigint not null,
  month date not null,
  segment bigint not null,
  utc_ns bigint,
  mono_ns bigint not null,
  gate_s double precision not null,
  frequency_hz double precision not null,
  ambient_c double precision,
  flags bigint not null,
  raw text,
  primary key (run_uid, n, month)
) partition by range (month);

create table benchlog.readings_other partition of benchlog.readings default;

create table benchlog.conditions (
  run_uid uuid not null,
  "n" bigint not null,
  month date not null,
  segment bigint not null,
  utc_ns bigint not null,
  mono_ns bigint not null,
  quantity text not null,
  value double precision not null,
  unit text not null,
  instrument text not null,
  flags bigint not null,
  raw text,
  primary key (run_uid, n, month)
) partition by range (month);

create table benchlog.conditions_other partition of benchlog.conditions default;

create table benchlog.edges (
  run_uid uuid not null,
  "n" bigint not null,
  month date not null,
  segment bigint not null,
  instrument text not null,
  utc_ns bigint,
  mono_ns bigint not null,
  sequence bigint not null,
  flags bigint not null,
  primary key (run_uid, n, month)
) partition by range (month);

create table benchlog.edges_other partition of benchlog.edges default;

create table benchlog.phases (
  run_uid uuid not null,
  "n" bigint not null,
  month date not null,
  segment bigint not null,
  utc_ns bigint,
  mono_ns bigint not null,
  phase_s double precision not null,
  flags bigint not null,
  raw text,
  primary key (run_uid, n, month)
) partition by range (month);

create table benchlog.phases_other partition of benchlog.phases default;

create index events_of_state on benchlog.events (run_uid, seq)
  where kind in ('set-aside', 'held', 'restored', 'damaged', 'undamaged', 'mark');
create index runs_of_device on benchlog.runs (part, lot, device);
create index runs_by_start on benchlog.runs (started_utc_ns);
create index open_runs on benchlog.runs (source) where ended_utc_ns is null;
create index quarantine_of_run on benchlog.quarantine (run_uid);

-- Whoever sends may not own the tables: making the partitions of a month is all that it
-- may do to them. Months that no clock should tell are in the partition for all others.
create function benchlog.keep_month(month date) returns void
language plpgsql security definer set search_path = pg_catalog, pg_temp as $$
declare
  parent text;
  child text;
  first date := date_trunc('month', month)::date;
begin
  if first < '2000-01-01' or first >= '2100-01-01' then
    return;
  end if;
  foreach parent in array array['readings', 'edges', 'conditions', 'phases'] loop
    child := parent || to_char(first, '_YYYY_MM');
    if to_regclass('benchlog.' || child) is null then
      begin
        execute format(
          'create table benchlog.%I partition of benchlog.%I for values from (%L) to (%L)',
          child, parent, first, (first + interval '1 month')::date);
      exception when duplicate_table or unique_violation then
        null;  -- another sender was faster
      end;
    end if;
  end loop;
end $$;
revoke execute on function benchlog.keep_month(date) from public;
