--
-- PostgreSQL database dump
--


-- Dumped from database version 15.18 (Debian 15.18-0+deb12u1)
-- Dumped by pg_dump version 15.18 (Debian 15.18-0+deb12u1)

SET statement_timeout = 0;
SET lock_timeout = 0;
SET idle_in_transaction_session_timeout = 0;
SET client_encoding = 'UTF8';
SET standard_conforming_strings = on;
SELECT pg_catalog.set_config('search_path', '', false);
SET check_function_bodies = false;
SET xmloption = content;
SET client_min_messages = warning;
SET row_security = off;

--
-- Name: logbook_append_only(); Type: FUNCTION; Schema: public; Owner: -
--

CREATE FUNCTION public.logbook_append_only() RETURNS trigger
    LANGUAGE plpgsql
    AS $$ BEGIN RAISE EXCEPTION 'this logbook is append only'; END $$;


SET default_tablespace = '';

SET default_table_access_method = heap;

--
-- Name: alembic_version; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.alembic_version (
    version_num character varying(32) NOT NULL
);


--
-- Name: changes; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.changes (
    change bigint NOT NULL,
    recorded text NOT NULL,
    clock text,
    who text NOT NULL,
    what text NOT NULL,
    note text NOT NULL,
    source text NOT NULL,
    program text NOT NULL
);


--
-- Name: corrections; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.corrections (
    entry bigint NOT NULL,
    change bigint NOT NULL,
    replaces bigint,
    void smallint NOT NULL,
    review bigint NOT NULL,
    "table" bigint NOT NULL,
    job bigint NOT NULL,
    after_run bigint NOT NULL,
    run bigint NOT NULL,
    blade bigint NOT NULL,
    adjuster bigint NOT NULL,
    sensor bigint NOT NULL,
    regime bigint NOT NULL,
    entered text,
    corrected text,
    entered_clock text,
    entered_phase_deg text,
    corrected_clock text,
    corrected_phase_deg text,
    extra text
);


--
-- Name: names; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.names (
    name bigint NOT NULL,
    change bigint NOT NULL,
    digest bytea NOT NULL,
    text text NOT NULL
);


--
-- Name: corrections_in_force; Type: VIEW; Schema: public; Owner: -
--

CREATE VIEW public.corrections_in_force AS
 SELECT e.entry,
    n0.text AS review,
    n1.text AS "table",
    n2.text AS job,
    n3.text AS after_run,
    n4.text AS run,
    n5.text AS blade,
    n6.text AS adjuster,
    n7.text AS sensor,
    n8.text AS regime,
    e.entered,
    e.entered_clock,
    e.entered_phase_deg,
    e.corrected,
    e.corrected_clock,
    e.corrected_phase_deg,
    e.extra,
    e.change,
    c.who AS entered_by,
    c.recorded AS entered_on
   FROM ((((((((((public.corrections e
     JOIN public.changes c ON ((c.change = e.change)))
     JOIN public.names n0 ON ((n0.name = e.review)))
     JOIN public.names n1 ON ((n1.name = e."table")))
     JOIN public.names n2 ON ((n2.name = e.job)))
     JOIN public.names n3 ON ((n3.name = e.after_run)))
     JOIN public.names n4 ON ((n4.name = e.run)))
     JOIN public.names n5 ON ((n5.name = e.blade)))
     JOIN public.names n6 ON ((n6.name = e.adjuster)))
     JOIN public.names n7 ON ((n7.name = e.sensor)))
     JOIN public.names n8 ON ((n8.name = e.regime)))
  WHERE ((e.void = 0) AND (NOT (EXISTS ( SELECT 1
           FROM public.corrections l
          WHERE (l.replaces = e.entry)))));


--
-- Name: documents; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.documents (
    document bigint NOT NULL,
    change bigint NOT NULL,
    kind text NOT NULL,
    label text NOT NULL,
    file text NOT NULL,
    digest text NOT NULL,
    content bytea NOT NULL
);


--
-- Name: events; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.events (
    entry bigint NOT NULL,
    change bigint NOT NULL,
    replaces bigint,
    void smallint NOT NULL,
    job bigint NOT NULL,
    after_run bigint NOT NULL,
    kind bigint NOT NULL,
    sensor bigint NOT NULL,
    note bigint NOT NULL,
    extra text
);


--
-- Name: events_in_force; Type: VIEW; Schema: public; Owner: -
--

CREATE VIEW public.events_in_force AS
 SELECT e.entry,
    n0.text AS job,
    n1.text AS after_run,
    n2.text AS kind,
    n3.text AS sensor,
    n4.text AS note,
    e.extra,
    e.change,
    c.who AS entered_by,
    c.recorded AS entered_on
   FROM ((((((public.events e
     JOIN public.changes c ON ((c.change = e.change)))
     JOIN public.names n0 ON ((n0.name = e.job)))
     JOIN public.names n1 ON ((n1.name = e.after_run)))
     JOIN public.names n2 ON ((n2.name = e.kind)))
     JOIN public.names n3 ON ((n3.name = e.sensor)))
     JOIN public.names n4 ON ((n4.name = e.note)))
  WHERE ((e.void = 0) AND (NOT (EXISTS ( SELECT 1
           FROM public.events l
          WHERE (l.replaces = e.entry)))));


--
-- Name: fitted; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.fitted (
    entry bigint NOT NULL,
    change bigint NOT NULL,
    replaces bigint,
    void smallint NOT NULL,
    job bigint NOT NULL,
    blade bigint NOT NULL,
    adjuster bigint NOT NULL,
    amount text,
    unit text,
    extra text
);


--
-- Name: fitted_in_force; Type: VIEW; Schema: public; Owner: -
--

CREATE VIEW public.fitted_in_force AS
 SELECT e.entry,
    n0.text AS job,
    n1.text AS blade,
    n2.text AS adjuster,
    e.amount,
    e.unit,
    e.extra,
    e.change,
    c.who AS entered_by,
    c.recorded AS entered_on
   FROM ((((public.fitted e
     JOIN public.changes c ON ((c.change = e.change)))
     JOIN public.names n0 ON ((n0.name = e.job)))
     JOIN public.names n1 ON ((n1.name = e.blade)))
     JOIN public.names n2 ON ((n2.name = e.adjuster)))
  WHERE ((e.void = 0) AND (NOT (EXISTS ( SELECT 1
           FROM public.fitted l
          WHERE (l.replaces = e.entry)))));


--
-- Name: headers; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.headers (
    header bigint NOT NULL,
    change bigint NOT NULL,
    log_table text NOT NULL,
    columns text NOT NULL
);


--
-- Name: job_states; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.job_states (
    state bigint NOT NULL,
    change bigint NOT NULL,
    job bigint NOT NULL,
    status text NOT NULL,
    closing_run bigint,
    released_by text NOT NULL,
    note text NOT NULL
);


--
-- Name: moves; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.moves (
    entry bigint NOT NULL,
    change bigint NOT NULL,
    replaces bigint,
    void smallint NOT NULL,
    job bigint NOT NULL,
    after_run bigint NOT NULL,
    blade bigint NOT NULL,
    adjuster bigint NOT NULL,
    amount text,
    unit text,
    extra text
);


--
-- Name: moves_in_force; Type: VIEW; Schema: public; Owner: -
--

CREATE VIEW public.moves_in_force AS
 SELECT e.entry,
    n0.text AS job,
    n1.text AS after_run,
    n2.text AS blade,
    n3.text AS adjuster,
    e.amount,
    e.unit,
    e.extra,
    e.change,
    c.who AS entered_by,
    c.recorded AS entered_on
   FROM (((((public.moves e
     JOIN public.changes c ON ((c.change = e.change)))
     JOIN public.names n0 ON ((n0.name = e.job)))
     JOIN public.names n1 ON ((n1.name = e.after_run)))
     JOIN public.names n2 ON ((n2.name = e.blade)))
     JOIN public.names n3 ON ((n3.name = e.adjuster)))
  WHERE ((e.void = 0) AND (NOT (EXISTS ( SELECT 1
           FROM public.moves l
          WHERE (l.replaces = e.entry)))));


--
-- Name: readings; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.readings (
    entry bigint NOT NULL,
    change bigint NOT NULL,
    replaces bigint,
    void smallint NOT NULL,
    job bigint NOT NULL,
    run bigint NOT NULL,
    regime bigint NOT NULL,
    sensor bigint NOT NULL,
    amplitude text,
    clock text,
    phase_deg text,
    spread text,
    repeats text,
    excluded text,
    unit text,
    extra text
);


--
-- Name: readings_in_force; Type: VIEW; Schema: public; Owner: -
--

CREATE VIEW public.readings_in_force AS
 SELECT e.entry,
    n0.text AS job,
    n1.text AS run,
    n2.text AS regime,
    n3.text AS sensor,
    e.amplitude,
    e.clock,
    e.phase_deg,
    e.spread,
    e.repeats,
    e.excluded,
    e.unit,
    e.extra,
    e.change,
    c.who AS entered_by,
    c.recorded AS entered_on
   FROM (((((public.readings e
     JOIN public.changes c ON ((c.change = e.change)))
     JOIN public.names n0 ON ((n0.name = e.job)))
     JOIN public.names n1 ON ((n1.name = e.run)))
     JOIN public.names n2 ON ((n2.name = e.regime)))
     JOIN public.names n3 ON ((n3.name = e.sensor)))
  WHERE ((e.void = 0) AND (NOT (EXISTS ( SELECT 1
           FROM public.readings l
          WHERE (l.replaces = e.entry)))));


--
-- Name: reviews; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.reviews (
    entry bigint NOT NULL,
    change bigint NOT NULL,
    replaces bigint,
    void smallint NOT NULL,
    review bigint NOT NULL,
    job bigint NOT NULL,
    run bigint NOT NULL,
    "table" text,
    after_run text,
    decision text,
    kind text,
    explanation text,
    by text,
    decided text,
    note text,
    extra text
);


--
-- Name: reviews_in_force; Type: VIEW; Schema: public; Owner: -
--

CREATE VIEW public.reviews_in_force AS
 SELECT e.entry,
    n0.text AS review,
    n1.text AS job,
    n2.text AS run,
    e."table",
    e.after_run,
    e.decision,
    e.kind,
    e.explanation,
    e.by,
    e.decided,
    e.note,
    e.extra,
    e.change,
    c.who AS entered_by,
    c.recorded AS entered_on
   FROM ((((public.reviews e
     JOIN public.changes c ON ((c.change = e.change)))
     JOIN public.names n0 ON ((n0.name = e.review)))
     JOIN public.names n1 ON ((n1.name = e.job)))
     JOIN public.names n2 ON ((n2.name = e.run)))
  WHERE ((e.void = 0) AND (NOT (EXISTS ( SELECT 1
           FROM public.reviews l
          WHERE (l.replaces = e.entry)))));


--
-- Name: runs; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.runs (
    entry bigint NOT NULL,
    change bigint NOT NULL,
    replaces bigint,
    void smallint NOT NULL,
    job bigint NOT NULL,
    run bigint NOT NULL,
    rotor bigint NOT NULL,
    design bigint NOT NULL,
    started text,
    aircraft text,
    note text,
    gross_weight text,
    wind_kt text,
    oat_c text,
    rpm text,
    extra text
);


--
-- Name: runs_in_force; Type: VIEW; Schema: public; Owner: -
--

CREATE VIEW public.runs_in_force AS
 SELECT e.entry,
    n0.text AS rotor,
    n1.text AS job,
    n2.text AS run,
    n3.text AS design,
    e.started,
    e.aircraft,
    e.note,
    e.gross_weight,
    e.wind_kt,
    e.oat_c,
    e.rpm,
    e.extra,
    e.change,
    c.who AS entered_by,
    c.recorded AS entered_on
   FROM (((((public.runs e
     JOIN public.changes c ON ((c.change = e.change)))
     JOIN public.names n0 ON ((n0.name = e.rotor)))
     JOIN public.names n1 ON ((n1.name = e.job)))
     JOIN public.names n2 ON ((n2.name = e.run)))
     JOIN public.names n3 ON ((n3.name = e.design)))
  WHERE ((e.void = 0) AND (NOT (EXISTS ( SELECT 1
           FROM public.runs l
          WHERE (l.replaces = e.entry)))));


--
-- Name: seals; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.seals (
    change bigint NOT NULL,
    counts text NOT NULL,
    digests text NOT NULL,
    digest text NOT NULL
);


--
-- Name: sets; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.sets (
    set bigint NOT NULL,
    change bigint NOT NULL,
    label text NOT NULL,
    design text NOT NULL,
    known bigint NOT NULL,
    rotor bigint NOT NULL,
    chart bigint,
    settings text NOT NULL,
    programs text NOT NULL,
    digest text NOT NULL,
    content bytea NOT NULL
);


--
-- Name: track; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.track (
    entry bigint NOT NULL,
    change bigint NOT NULL,
    replaces bigint,
    void smallint NOT NULL,
    job bigint NOT NULL,
    run bigint NOT NULL,
    regime bigint NOT NULL,
    blade bigint NOT NULL,
    height text,
    lag text,
    excluded text,
    unit text,
    extra text
);


--
-- Name: track_in_force; Type: VIEW; Schema: public; Owner: -
--

CREATE VIEW public.track_in_force AS
 SELECT e.entry,
    n0.text AS job,
    n1.text AS run,
    n2.text AS regime,
    n3.text AS blade,
    e.height,
    e.lag,
    e.excluded,
    e.unit,
    e.extra,
    e.change,
    c.who AS entered_by,
    c.recorded AS entered_on
   FROM (((((public.track e
     JOIN public.changes c ON ((c.change = e.change)))
     JOIN public.names n0 ON ((n0.name = e.job)))
     JOIN public.names n1 ON ((n1.name = e.run)))
     JOIN public.names n2 ON ((n2.name = e.regime)))
     JOIN public.names n3 ON ((n3.name = e.blade)))
  WHERE ((e.void = 0) AND (NOT (EXISTS ( SELECT 1
           FROM public.track l
          WHERE (l.replaces = e.entry)))));


--
-- Name: withdrawals; Type: TABLE; Schema: public; Owner: -
--

CREATE TABLE public.withdrawals (
    withdrawal bigint NOT NULL,
    change bigint NOT NULL,
    set bigint NOT NULL,
    why text NOT NULL
);


--
-- Data for Name: alembic_version; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.alembic_version VALUES ('0002');


--
-- Data for Name: changes; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.changes VALUES (1, '2026-11-27T18:54:57.847966+00:00', NULL, 'N. N.', 'import', '', 'a folder', '0.1.0');
INSERT INTO public.changes VALUES (2, '2026-11-27T18:54:59.755771+00:00', NULL, 'N. N.', 'import', '', 'a folder', '0.1.0');
INSERT INTO public.changes VALUES (3, '2026-11-27T18:55:01.441037+00:00', NULL, 'N. N.', 'take out', 'entered twice', '', '0.1.0');
INSERT INTO public.changes VALUES (4, '2026-11-27T18:55:01.987619+00:00', NULL, 'N. N.', 'close', '', '', '0.1.0');
INSERT INTO public.changes VALUES (5, '2026-11-27T18:55:02.087996+00:00', NULL, 'N. N.', 'keep', '', '', '0.1.0');
INSERT INTO public.changes VALUES (6, '2026-11-27T18:55:02.122128+00:00', NULL, 'N. N.', 'withdraw', 'too few runs', '', '0.1.0');


--
-- Data for Name: corrections; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.corrections VALUES (1, 1, NULL, 0, 4, 40, 1, 4, 38, 27, 32, 38, 38, '-2', '2', NULL, NULL, NULL, NULL, NULL);


--
-- Data for Name: documents; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.documents VALUES (1, 5, 'rotor file', 'main rotor', 'main-rotor.toml', '1c8276d3dc29dd4d947926f8d3079faec10cacf71be1d509a6511bb2e53027e8', '\x006e6f7420726561642068657265ff');


--
-- Data for Name: events; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.events VALUES (1, 1, NULL, 0, 3, 4, 37, 38, 39, NULL);


--
-- Data for Name: fitted; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.fitted VALUES (1, 1, NULL, 0, 1, 27, 35, '260', NULL, NULL);
INSERT INTO public.fitted VALUES (2, 1, NULL, 0, 1, 27, 36, '0', NULL, NULL);
INSERT INTO public.fitted VALUES (3, 1, NULL, 0, 1, 27, 32, '0', NULL, NULL);
INSERT INTO public.fitted VALUES (4, 1, NULL, 0, 1, 28, 35, '220', NULL, NULL);
INSERT INTO public.fitted VALUES (5, 1, NULL, 0, 1, 28, 36, '-0.5', NULL, NULL);
INSERT INTO public.fitted VALUES (6, 1, NULL, 0, 1, 28, 32, '3', NULL, NULL);
INSERT INTO public.fitted VALUES (7, 1, NULL, 0, 1, 29, 35, '340', NULL, NULL);
INSERT INTO public.fitted VALUES (8, 1, NULL, 0, 1, 29, 36, '1', NULL, NULL);
INSERT INTO public.fitted VALUES (9, 1, NULL, 0, 1, 29, 32, '0', NULL, NULL);
INSERT INTO public.fitted VALUES (10, 1, NULL, 0, 1, 30, 35, '180', NULL, NULL);
INSERT INTO public.fitted VALUES (11, 1, NULL, 0, 1, 30, 36, '-1.5', NULL, NULL);
INSERT INTO public.fitted VALUES (12, 1, NULL, 0, 1, 30, 32, '1', NULL, NULL);
INSERT INTO public.fitted VALUES (13, 1, NULL, 0, 1, 31, 35, '280', NULL, NULL);
INSERT INTO public.fitted VALUES (14, 1, NULL, 0, 1, 31, 36, '-1', NULL, NULL);
INSERT INTO public.fitted VALUES (15, 1, NULL, 0, 1, 31, 32, '-3', NULL, NULL);
INSERT INTO public.fitted VALUES (16, 1, NULL, 0, 2, 4, 34, '11', NULL, NULL);
INSERT INTO public.fitted VALUES (17, 1, NULL, 0, 2, 4, 33, '11', NULL, NULL);
INSERT INTO public.fitted VALUES (18, 1, NULL, 0, 2, 4, 32, '1', NULL, NULL);
INSERT INTO public.fitted VALUES (19, 1, NULL, 0, 2, 5, 34, '13', NULL, NULL);
INSERT INTO public.fitted VALUES (20, 1, NULL, 0, 2, 5, 33, '10', NULL, NULL);
INSERT INTO public.fitted VALUES (21, 1, NULL, 0, 2, 5, 32, '0', NULL, NULL);
INSERT INTO public.fitted VALUES (22, 1, NULL, 0, 3, 27, 35, '300', NULL, NULL);
INSERT INTO public.fitted VALUES (23, 1, NULL, 0, 3, 27, 36, '1.5', NULL, NULL);
INSERT INTO public.fitted VALUES (24, 1, NULL, 0, 3, 27, 32, '3', NULL, NULL);
INSERT INTO public.fitted VALUES (25, 1, NULL, 0, 3, 28, 35, '160', NULL, NULL);
INSERT INTO public.fitted VALUES (26, 1, NULL, 0, 3, 28, 36, '3', NULL, NULL);
INSERT INTO public.fitted VALUES (27, 1, NULL, 0, 3, 28, 32, '-3', NULL, NULL);
INSERT INTO public.fitted VALUES (28, 1, NULL, 0, 3, 29, 35, '460', NULL, NULL);
INSERT INTO public.fitted VALUES (29, 1, NULL, 0, 3, 29, 36, '0', NULL, NULL);
INSERT INTO public.fitted VALUES (30, 1, NULL, 0, 3, 29, 32, '4', NULL, NULL);
INSERT INTO public.fitted VALUES (31, 1, NULL, 0, 3, 30, 35, '0', NULL, NULL);
INSERT INTO public.fitted VALUES (32, 1, NULL, 0, 3, 30, 36, '-1.5', NULL, NULL);
INSERT INTO public.fitted VALUES (33, 1, NULL, 0, 3, 30, 32, '3', NULL, NULL);
INSERT INTO public.fitted VALUES (34, 1, NULL, 0, 3, 31, 35, '200', NULL, NULL);
INSERT INTO public.fitted VALUES (35, 1, NULL, 0, 3, 31, 36, '1', NULL, NULL);
INSERT INTO public.fitted VALUES (36, 1, NULL, 0, 3, 31, 32, '-1', NULL, NULL);


--
-- Data for Name: headers; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.headers VALUES (1, 1, 'runs', '["rotor", "job", "run", "started", "design", "aircraft", "gross_weight", "wind_kt", "oat_c", "note", "airframe_hours"]');
INSERT INTO public.headers VALUES (2, 1, 'readings', '["job", "run", "regime", "sensor", "amplitude", "clock", "excluded"]');
INSERT INTO public.headers VALUES (3, 1, 'track', '["job", "run", "regime", "blade", "height", "lag", "excluded"]');
INSERT INTO public.headers VALUES (4, 1, 'moves', '["job", "after_run", "blade", "adjuster", "amount", "task_card"]');
INSERT INTO public.headers VALUES (5, 1, 'fitted', '["job", "blade", "adjuster", "amount"]');
INSERT INTO public.headers VALUES (6, 1, 'events', '["job", "after_run", "kind", "sensor", "note"]');
INSERT INTO public.headers VALUES (7, 1, 'reviews', '["review", "job", "table", "after_run", "run", "decision", "kind", "explanation", "by", "decided", "note"]');
INSERT INTO public.headers VALUES (8, 1, 'corrections', '["review", "table", "job", "after_run", "run", "blade", "adjuster", "sensor", "regime", "entered", "corrected"]');
INSERT INTO public.headers VALUES (9, 2, 'readings', '["job", "run", "regime", "sensor", "amplitude", "clock", "excluded", "lamp"]');


--
-- Data for Name: job_states; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.job_states VALUES (1, 4, 1, 'closed', 5, 'R. R.', '');


--
-- Data for Name: moves; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.moves VALUES (1, 1, NULL, 0, 1, 4, 27, 32, '-2', NULL, '{"task_card": "J-001/1"}');
INSERT INTO public.moves VALUES (2, 1, NULL, 0, 1, 4, 29, 32, '3', NULL, '{"task_card": "J-001/1"}');
INSERT INTO public.moves VALUES (3, 1, NULL, 0, 2, 4, 4, 33, '12', NULL, '{"task_card": "J-002/1"}');
INSERT INTO public.moves VALUES (4, 1, NULL, 0, 2, 4, 5, 34, '10', NULL, '{"task_card": "J-002/1"}');
INSERT INTO public.moves VALUES (5, 1, NULL, 0, 3, 4, 29, 35, '-240', NULL, '{"task_card": "J-030/1"}');
INSERT INTO public.moves VALUES (6, 1, NULL, 0, 3, 5, 28, 32, '6', NULL, '{"task_card": "J-030/2"}');
INSERT INTO public.moves VALUES (7, 1, NULL, 0, 3, 6, 29, 35, '-100', NULL, '{"task_card": "J-030/3"}');
INSERT INTO public.moves VALUES (8, 1, NULL, 0, 3, 6, 31, 35, '240', NULL, '{"task_card": "J-030/3"}');
INSERT INTO public.moves VALUES (9, 1, NULL, 0, 3, 7, 30, 36, '-3', NULL, '{"task_card": "J-030/4"}');
INSERT INTO public.moves VALUES (10, 1, NULL, 0, 3, 8, 27, 36, '-0.5', NULL, '{"task_card": "J-030/5"}');
INSERT INTO public.moves VALUES (11, 1, NULL, 0, 3, 8, 30, 35, '240', NULL, '{"task_card": "J-030/5"}');
INSERT INTO public.moves VALUES (12, 3, 11, 1, 3, 8, 30, 35, '240', NULL, '{"task_card": "J-030/5"}');


--
-- Data for Name: names; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.names VALUES (1, 1, '\x6bfcb0094d8b05a0bdc93562c8990ba0', 'J-001');
INSERT INTO public.names VALUES (2, 1, '\x566f7b3b5effc4d0bc6513b771fb2ae7', 'J-002');
INSERT INTO public.names VALUES (3, 1, '\xd09ce673f8807cb899e486f7c57e7f55', 'J-030');
INSERT INTO public.names VALUES (4, 1, '\xcea3878a334b240469d159ff840b6434', '1');
INSERT INTO public.names VALUES (5, 1, '\x4129e2a8044a57ce7635fd6023661cd6', '2');
INSERT INTO public.names VALUES (6, 1, '\xc3585b60b755fb13e6e65a16d20f1230', '3');
INSERT INTO public.names VALUES (7, 1, '\xc33cedce35493fc82dfad8ee5206e23e', '4');
INSERT INTO public.names VALUES (8, 1, '\x6152bc863269f1d04b4d21185d6bb25e', '5');
INSERT INTO public.names VALUES (9, 1, '\xd4c0473feca7a8da3a323d15ba6ed8a1', '6');
INSERT INTO public.names VALUES (10, 1, '\xa25fd8f5f8decb2036b5cbbf36abfa17', 'MR-101');
INSERT INTO public.names VALUES (11, 1, '\x7bcf35c93d9e9d02175a03e845135237', 'TR-301');
INSERT INTO public.names VALUES (12, 1, '\x2c6f182a514d551490edf84c634c3653', 'MR-106');
INSERT INTO public.names VALUES (13, 1, '\x6d6b6c6a35d4c82cd418e1e7c0f8b9b2', 'main rotor');
INSERT INTO public.names VALUES (14, 1, '\x9506f7b518ca0f2c6538d46b895b7efd', 'tail rotor');
INSERT INTO public.names VALUES (15, 1, '\xba95c479d38058d2d1dfc99d238609f3', 'flat pitch');
INSERT INTO public.names VALUES (16, 1, '\x1a008f8bf4149b4f5009cf4090ed52a4', 'hover');
INSERT INTO public.names VALUES (17, 1, '\xc873b2282d5cfd490dda17c9b5409ce6', '60 kt');
INSERT INTO public.names VALUES (18, 1, '\x07e3a006592083fbbde7d005480371f2', '90 kt');
INSERT INTO public.names VALUES (19, 1, '\xf8f992ec57dc02c5860ab53fb7b93add', 'descent');
INSERT INTO public.names VALUES (20, 1, '\x115a55bfbddf955fb2c330ad38e0c58a', '120 kt');
INSERT INTO public.names VALUES (21, 1, '\xef2b8ce46bd94464c0a6b961d50ae739', 'ground run');
INSERT INTO public.names VALUES (22, 1, '\xf76582b516262977f7419a2c65641afc', 'cabin lateral');
INSERT INTO public.names VALUES (23, 1, '\xfecf85d7a8c7bfb3e009174cba3a5dd3', 'cabin vertical');
INSERT INTO public.names VALUES (24, 1, '\x95f9fb14e0688afffec1b7dcb54f6308', 'cockpit vertical');
INSERT INTO public.names VALUES (25, 1, '\xf1c539a740597bfcc7d2613b6e073a9e', 'gearbox radial');
INSERT INTO public.names VALUES (26, 1, '\x77a07ec29f4cae38e1f34960f8c8dedf', 'gearbox axial');
INSERT INTO public.names VALUES (27, 1, '\xc8474a914a6e277e86f81f27dc4b2f96', 'red');
INSERT INTO public.names VALUES (28, 1, '\x6c7503bf86f4eb35827d02b504444ac7', 'blue');
INSERT INTO public.names VALUES (29, 1, '\x2e85f31ef3ad4a3dad00e38ab3a36746', 'green');
INSERT INTO public.names VALUES (30, 1, '\x1d3d17c0d01ab70f430f67443ffdeb90', 'yellow');
INSERT INTO public.names VALUES (31, 1, '\x2699a5d58f912e95738d680e3c42483e', 'white');
INSERT INTO public.names VALUES (32, 1, '\x4fb58147088bd99f4eb82d35971d3ae0', 'pitch link');
INSERT INTO public.names VALUES (33, 1, '\xa9d0f8c0dfe539e109a0b240a0a787bf', 'chord weight');
INSERT INTO public.names VALUES (34, 1, '\x8e381b3c6cd19b801fdd4d148ae88edf', 'span weight');
INSERT INTO public.names VALUES (35, 1, '\xe524a08e6e2efa5e34f692716bf4ef8d', 'hub weight');
INSERT INTO public.names VALUES (36, 1, '\x621abd624a64c318c8fd2b5b286d314a', 'trim tab');
INSERT INTO public.names VALUES (37, 1, '\x685cfd0816032beeefa73290f293f677', 'hardware changed');
INSERT INTO public.names VALUES (38, 1, '\xcae66941d9efbd404e4d88758ea67670', '');
INSERT INTO public.names VALUES (39, 1, '\x7b807a2e5e7d5d42f2c2ab6ebc3dad24', 'blue blade replaced, leading edge eroded');
INSERT INTO public.names VALUES (40, 1, '\x7697b26aeff6bc5276a64e29d03d7e70', 'moves');


--
-- Data for Name: readings; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.readings VALUES (1, 1, NULL, 0, 1, 4, 15, 22, '0.01', '5:04', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (2, 1, NULL, 0, 1, 4, 16, 22, '0.10', '10:30', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (3, 1, NULL, 0, 1, 4, 17, 22, '0.06', '10:45', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (4, 1, NULL, 0, 1, 4, 18, 22, '0.08', '12:04', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (5, 1, NULL, 0, 1, 4, 19, 22, '0.10', '1:04', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (6, 1, NULL, 0, 1, 4, 15, 23, '0.10', '1:03', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (7, 1, NULL, 0, 1, 4, 16, 23, '0.15', '2:35', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (8, 1, NULL, 0, 1, 4, 17, 23, '0.13', '2:29', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (9, 1, NULL, 0, 1, 4, 18, 23, '0.21', '2:56', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (10, 1, NULL, 0, 1, 4, 19, 23, '0.25', '3:02', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (11, 1, NULL, 0, 1, 4, 15, 24, '0.12', '10:01', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (12, 1, NULL, 0, 1, 4, 16, 24, '0.10', '9:52', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (13, 1, NULL, 0, 1, 4, 17, 24, '0.19', '9:49', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (14, 1, NULL, 0, 1, 4, 18, 24, '0.23', '9:52', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (15, 1, NULL, 0, 1, 4, 19, 24, '0.26', '10:04', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (16, 1, NULL, 0, 1, 5, 15, 22, '0.10', '8:40', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (17, 1, NULL, 0, 1, 5, 16, 22, '0.18', '8:48', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (18, 1, NULL, 0, 1, 5, 17, 22, '0.17', '8:20', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (19, 1, NULL, 0, 1, 5, 18, 22, '0.09', '8:29', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (20, 1, NULL, 0, 1, 5, 20, 22, '0.10', '8:29', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (21, 1, NULL, 0, 1, 5, 15, 23, '0.02', '1:34', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (22, 1, NULL, 0, 1, 5, 16, 23, '0.04', '4:24', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (23, 1, NULL, 0, 1, 5, 17, 23, '0.05', '5:32', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (24, 1, NULL, 0, 1, 5, 18, 23, '0.11', '4:59', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (25, 1, NULL, 0, 1, 5, 20, 23, '0.15', '3:34', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (26, 1, NULL, 0, 1, 5, 15, 24, '0.08', '7:58', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (27, 1, NULL, 0, 1, 5, 16, 24, '0.08', '5:27', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (28, 1, NULL, 0, 1, 5, 17, 24, '0.09', '7:19', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (29, 1, NULL, 0, 1, 5, 18, 24, '0.08', '8:11', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (30, 1, NULL, 0, 1, 5, 20, 24, '0.13', '8:22', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (31, 1, NULL, 0, 2, 4, 21, 25, '0.27', '12:20', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (32, 1, NULL, 0, 2, 4, 16, 25, '0.31', '12:13', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (33, 1, NULL, 0, 2, 4, 21, 26, '0.22', '1:38', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (34, 1, NULL, 0, 2, 4, 16, 26, '0.29', '2:08', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (35, 1, NULL, 0, 2, 5, 21, 25, '0.05', '8:53', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (36, 1, NULL, 0, 2, 5, 16, 25, '0.03', '7:31', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (37, 1, NULL, 0, 2, 5, 21, 26, '0.14', '1:35', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (38, 1, NULL, 0, 2, 5, 16, 26, '0.16', '2:40', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (39, 1, NULL, 0, 3, 4, 15, 22, '0.16', '11:29', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (40, 1, NULL, 0, 3, 4, 16, 22, '0.27', '10:19', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (41, 1, NULL, 0, 3, 4, 17, 22, '0.33', '10:08', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (42, 1, NULL, 0, 3, 4, 18, 22, '0.37', '10:16', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (43, 1, NULL, 0, 3, 4, 20, 22, '0.40', '10:51', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (44, 1, NULL, 0, 3, 4, 19, 22, '0.32', '9:42', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (45, 1, NULL, 0, 3, 4, 15, 23, '0.05', '5:16', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (46, 1, NULL, 0, 3, 4, 16, 23, '0.06', '5:02', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (47, 1, NULL, 0, 3, 4, 17, 23, '0.10', '5:06', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (48, 1, NULL, 0, 3, 4, 18, 23, '0.20', '3:47', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (49, 1, NULL, 0, 3, 4, 20, 23, '0.26', '4:30', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (50, 1, NULL, 0, 3, 4, 19, 23, '0.12', '5:04', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (51, 1, NULL, 0, 3, 4, 15, 24, '0.02', '9:07', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (52, 1, NULL, 0, 3, 4, 16, 24, '0.12', '9:46', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (53, 1, NULL, 0, 3, 4, 17, 24, '0.13', '7:52', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (54, 1, NULL, 0, 3, 4, 18, 24, '0.14', '8:25', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (55, 1, NULL, 0, 3, 4, 20, 24, '0.37', '7:44', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (56, 1, NULL, 0, 3, 4, 19, 24, '0.13', '7:58', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (57, 1, NULL, 0, 3, 5, 15, 22, '0.07', '11:46', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (58, 1, NULL, 0, 3, 5, 16, 22, '0.18', '10:24', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (59, 1, NULL, 0, 3, 5, 17, 22, '0.22', '10:06', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (60, 1, NULL, 0, 3, 5, 18, 22, '0.28', '10:13', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (61, 1, NULL, 0, 3, 5, 20, 22, '0.35', '10:57', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (62, 1, NULL, 0, 3, 5, 15, 23, '0.08', '4:46', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (63, 1, NULL, 0, 3, 5, 16, 23, '0.16', '5:19', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (64, 1, NULL, 0, 3, 5, 17, 23, '0.22', '4:22', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (65, 1, NULL, 0, 3, 5, 18, 23, '0.35', '4:06', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (66, 1, NULL, 0, 3, 5, 20, 23, '0.47', '4:22', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (67, 1, NULL, 0, 3, 5, 15, 24, '0.08', '9:07', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (68, 1, NULL, 0, 3, 5, 16, 24, '0.20', '8:58', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (69, 1, NULL, 0, 3, 5, 17, 24, '0.25', '8:06', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (70, 1, NULL, 0, 3, 5, 18, 24, '0.34', '8:17', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (71, 1, NULL, 0, 3, 5, 20, 24, '0.58', '7:52', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (72, 1, NULL, 0, 3, 6, 15, 22, '0.09', '8:53', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (73, 1, NULL, 0, 3, 6, 16, 22, '0.18', '8:50', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (74, 1, NULL, 0, 3, 6, 17, 22, '0.22', '8:46', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (75, 1, NULL, 0, 3, 6, 18, 22, '0.29', '8:58', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (76, 1, NULL, 0, 3, 6, 20, 22, '0.31', '9:51', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (77, 1, NULL, 0, 3, 6, 19, 22, '0.24', '7:50', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (78, 1, NULL, 0, 3, 6, 15, 23, '0.07', '6:38', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (79, 1, NULL, 0, 3, 6, 16, 23, '0.08', '7:00', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (80, 1, NULL, 0, 3, 6, 17, 23, '0.04', '5:53', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (81, 1, NULL, 0, 3, 6, 18, 23, '0.12', '3:28', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (82, 1, NULL, 0, 3, 6, 20, 23, '0.12', '3:59', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (83, 1, NULL, 0, 3, 6, 19, 23, '0.05', '5:54', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (84, 1, NULL, 0, 3, 6, 15, 24, '0.01', '8:46', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (85, 1, NULL, 0, 3, 6, 16, 24, '0.15', '10:08', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (86, 1, NULL, 0, 3, 6, 17, 24, '0.10', '7:18', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (87, 1, NULL, 0, 3, 6, 18, 24, '0.09', '7:45', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (88, 1, NULL, 0, 3, 6, 20, 24, '0.29', '7:01', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (89, 1, NULL, 0, 3, 6, 19, 24, '0.09', '6:36', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (90, 1, NULL, 0, 3, 7, 15, 22, '0.13', '5:46', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (91, 1, NULL, 0, 3, 7, 16, 22, '0.09', '5:17', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (92, 1, NULL, 0, 3, 7, 17, 22, '0.15', '6:34', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (93, 1, NULL, 0, 3, 7, 18, 22, '0.15', '7:12', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (94, 1, NULL, 0, 3, 7, 20, 22, '0.05', '9:01', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (95, 1, NULL, 0, 3, 7, 19, 22, '0.21', '5:50', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (96, 1, NULL, 0, 3, 7, 15, 23, '0.09', '6:49', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (97, 1, NULL, 0, 3, 7, 16, 23, '0.12', '6:57', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (98, 1, NULL, 0, 3, 7, 17, 23, '0.04', '5:38', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (99, 1, NULL, 0, 3, 7, 18, 23, '0.11', '3:47', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (100, 1, NULL, 0, 3, 7, 20, 23, '0.19', '5:08', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (101, 1, NULL, 0, 3, 7, 19, 23, '0.06', '6:07', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (102, 1, NULL, 0, 3, 7, 15, 24, '0.04', '7:27', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (103, 1, NULL, 0, 3, 7, 16, 24, '0.12', '8:54', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (104, 1, NULL, 0, 3, 7, 17, 24, '0.14', '6:45', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (105, 1, NULL, 0, 3, 7, 18, 24, '0.11', '7:20', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (106, 1, NULL, 0, 3, 7, 20, 24, '0.41', '7:02', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (107, 1, NULL, 0, 3, 7, 19, 24, '0.14', '6:54', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (108, 1, NULL, 0, 3, 8, 15, 22, '0.11', '5:58', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (109, 1, NULL, 0, 3, 8, 16, 22, '0.07', '4:56', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (110, 1, NULL, 0, 3, 8, 17, 22, '0.13', '6:31', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (111, 1, NULL, 0, 3, 8, 18, 22, '0.12', '6:46', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (112, 1, NULL, 0, 3, 8, 20, 22, '0.05', '7:17', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (113, 1, NULL, 0, 3, 8, 19, 22, '0.21', '5:42', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (114, 1, NULL, 0, 3, 8, 15, 23, '0.05', '5:33', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (115, 1, NULL, 0, 3, 8, 16, 23, '0.08', '7:40', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (116, 1, NULL, 0, 3, 8, 17, 23, '0.03', '3:37', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (117, 1, NULL, 0, 3, 8, 18, 23, '0.14', '2:24', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (118, 1, NULL, 0, 3, 8, 20, 23, '0.12', '3:04', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (119, 1, NULL, 0, 3, 8, 19, 23, '0.08', '2:12', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (120, 1, NULL, 0, 3, 8, 15, 24, '0.02', '9:19', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (121, 1, NULL, 0, 3, 8, 16, 24, '0.11', '9:28', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (122, 1, NULL, 0, 3, 8, 17, 24, '0.07', '7:59', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (123, 1, NULL, 0, 3, 8, 18, 24, '0.11', '10:18', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (124, 1, NULL, 0, 3, 8, 20, 24, '0.19', '8:01', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (125, 1, NULL, 0, 3, 8, 19, 24, '0.09', '9:21', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (126, 1, NULL, 0, 3, 9, 16, 22, '0.09', '1:58', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (127, 1, NULL, 0, 3, 9, 17, 22, '0.03', '2:41', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (128, 1, NULL, 0, 3, 9, 18, 22, '0.05', '2:47', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (129, 1, NULL, 0, 3, 9, 20, 22, '0.12', '1:33', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (130, 1, NULL, 0, 3, 9, 19, 22, '0.09', '4:15', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (131, 1, NULL, 0, 3, 9, 16, 23, '0.12', '7:38', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (132, 1, NULL, 0, 3, 9, 17, 23, '0.04', '4:13', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (133, 1, NULL, 0, 3, 9, 18, 23, '0.12', '2:35', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (134, 1, NULL, 0, 3, 9, 20, 23, '0.08', '3:24', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (135, 1, NULL, 0, 3, 9, 19, 23, '0.03', '2:35', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (136, 1, NULL, 0, 3, 9, 16, 24, '0.08', '8:41', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (137, 1, NULL, 0, 3, 9, 17, 24, '0.07', '6:22', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (138, 1, NULL, 0, 3, 9, 18, 24, '0.06', '9:14', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (139, 1, NULL, 0, 3, 9, 20, 24, '0.22', '7:12', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (140, 1, NULL, 0, 3, 9, 19, 24, '0.03', '8:18', NULL, NULL, NULL, NULL, NULL, NULL);
INSERT INTO public.readings VALUES (141, 2, 1, 0, 1, 4, 15, 22, '0.777', '5:04', NULL, NULL, NULL, NULL, NULL, '{"lamp": "red; 1/4 Größe"}');


--
-- Data for Name: reviews; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.reviews VALUES (1, 1, NULL, 0, 4, 1, 5, 'moves', '1', 'accept', 'sign', 'red pitch link -2 was +2', 'N. N.', '2026-04-01T10:00:00+00:00', NULL, NULL);


--
-- Data for Name: runs; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.runs VALUES (1, 1, NULL, 0, 1, 4, 10, 13, '2024-12-11T09:07', 'OV-TA', NULL, '2850', '13', '3', NULL, '{"airframe_hours": "2279.9"}');
INSERT INTO public.runs VALUES (2, 1, NULL, 0, 1, 5, 10, 13, '2024-12-11T13:00', 'OV-TA', NULL, '2920', '11', '3', NULL, '{"airframe_hours": "2280.1"}');
INSERT INTO public.runs VALUES (3, 1, NULL, 0, 2, 4, 11, 14, '2024-12-14T07:58', 'OV-TA', NULL, '2790', '3', '3', NULL, '{"airframe_hours": "2283.2"}');
INSERT INTO public.runs VALUES (4, 1, NULL, 0, 2, 5, 11, 14, '2024-12-14T11:52', 'OV-TA', NULL, '2730', '2', '3', NULL, '{"airframe_hours": "2283.3"}');
INSERT INTO public.runs VALUES (5, 1, NULL, 0, 3, 4, 12, 13, '2025-12-09T09:38', 'OV-TF', NULL, '2560', '8', '1', NULL, '{"airframe_hours": "4829.2"}');
INSERT INTO public.runs VALUES (6, 1, NULL, 0, 3, 5, 12, 13, '2025-12-09T11:59', 'OV-TF', NULL, '2500', '10', '1', NULL, '{"airframe_hours": "4829.3"}');
INSERT INTO public.runs VALUES (7, 1, NULL, 0, 3, 6, 12, 13, '2025-12-09T13:41', 'OV-TF', NULL, '2570', '11', '1', NULL, '{"airframe_hours": "4829.4"}');
INSERT INTO public.runs VALUES (8, 1, NULL, 0, 3, 7, 12, 13, '2025-12-10T08:18', 'OV-TF', NULL, '2570', '9', '1', NULL, '{"airframe_hours": "4830.3"}');
INSERT INTO public.runs VALUES (9, 1, NULL, 0, 3, 8, 12, 13, '2025-12-10T09:56', 'OV-TF', NULL, '2520', '9', '1', NULL, '{"airframe_hours": "4830.4"}');
INSERT INTO public.runs VALUES (10, 1, NULL, 0, 3, 9, 12, 13, '2025-12-10T12:04', 'OV-TF', NULL, '2560', '11', '1', NULL, '{"airframe_hours": "4830.5"}');


--
-- Data for Name: seals; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.seals VALUES (1, '{"corrections": 1, "events": 1, "fitted": 36, "headers": 8, "moves": 11, "names": 40, "readings": 140, "reviews": 1, "runs": 10, "track": 220}', '{"corrections": "6e41fff0cbf88b3d78934b66849ccf18", "events": "802aea44d78ec636217a751c8951aa33", "fitted": "6081fed0160fe274d968c1cbb1b7aa20", "headers": "ad5265b7e51c0d29aced0827cf6ff910", "moves": "c24a4b4f497eed70ed04f5d3125df76b", "names": "24ea2d615751a93b21a6a760ada50bd2", "readings": "5dce2dedf0203d5be8177f846e135228", "reviews": "ea3b8b1993323c3e4099683edbb1c0c6", "runs": "8568d760c379a2ca85e17fcf5accf2a0", "track": "e57f9a9f87b9b2e3a66fcb0f34099b94"}', '5cd8bc33a3e55ce40e26874476cbbe167f3a7d4c2ee58c6baa7aef472346ce92');
INSERT INTO public.seals VALUES (2, '{"headers": 1, "readings": 1}', '{"headers": "ab51541bac6eb8a16af852a393834035", "readings": "1b002ace549870665b24f8d9f8c36fc8"}', '7b00be3d88565c82b3dc955e641207b0a2ad52a3e454940c0ec711d2b9e0e99c');
INSERT INTO public.seals VALUES (3, '{"moves": 1}', '{"moves": "671a6689c0fdbb318a5a7295e6dc7f83"}', '95d44514554263f6a577b9dd8616ea3bac5c2720945e22c6cb3caf6cfdeabbb3');
INSERT INTO public.seals VALUES (4, '{"job_states": 1}', '{"job_states": "a98c166c418575026aaa5c66e84f6e9c"}', 'b2ef59fc16b416fb7045607448d90cb30e58d5688b0607be82f7b98379bc4c4f');
INSERT INTO public.seals VALUES (5, '{"documents": 1, "sets": 1}', '{"documents": "165112b3b9b32de9d50af9781f23fae1", "sets": "0b6ac08062b88fbec05456e414fc8861"}', 'ad21d9679479021719fe772f6a8946d28a7fb120569a9c8803bc14a2539e1de2');
INSERT INTO public.seals VALUES (6, '{"withdrawals": 1}', '{"withdrawals": "88cc58db5a7b2a6d829376799979b341"}', 'a5bb97a9cad23e14ebb1c8382846efbf9929e9f5e7a4bea3cddb734be3249252');


--
-- Data for Name: sets; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.sets VALUES (1, 5, 'spring', 'main rotor', 2, 1, NULL, '{}', '{}', '2655d9a96630eb501e77875af77a1f14a5eb665ad9b128bb12f0cf37481f824b', '\x7b002722ff7d');


--
-- Data for Name: track; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.track VALUES (1, 1, NULL, 0, 1, 4, 15, 27, '4', '4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (2, 1, NULL, 0, 1, 4, 15, 28, '4', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (3, 1, NULL, 0, 1, 4, 15, 29, '3', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (4, 1, NULL, 0, 1, 4, 15, 30, '3', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (5, 1, NULL, 0, 1, 4, 15, 31, '3', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (6, 1, NULL, 0, 1, 4, 16, 27, '0', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (7, 1, NULL, 0, 1, 4, 16, 28, '-1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (8, 1, NULL, 0, 1, 4, 16, 29, '0', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (9, 1, NULL, 0, 1, 4, 16, 30, '-3', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (10, 1, NULL, 0, 1, 4, 16, 31, '3', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (11, 1, NULL, 0, 1, 4, 17, 27, '0', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (12, 1, NULL, 0, 1, 4, 17, 28, '-3', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (13, 1, NULL, 0, 1, 4, 17, 29, '-3', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (14, 1, NULL, 0, 1, 4, 17, 30, '-4', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (15, 1, NULL, 0, 1, 4, 17, 31, '1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (16, 1, NULL, 0, 1, 4, 18, 27, '0', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (17, 1, NULL, 0, 1, 4, 18, 28, '-2', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (18, 1, NULL, 0, 1, 4, 18, 29, '-2', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (19, 1, NULL, 0, 1, 4, 18, 30, '-4', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (20, 1, NULL, 0, 1, 4, 18, 31, '2', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (21, 1, NULL, 0, 1, 4, 19, 27, '1', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (22, 1, NULL, 0, 1, 4, 19, 28, '-5', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (23, 1, NULL, 0, 1, 4, 19, 29, '-2', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (24, 1, NULL, 0, 1, 4, 19, 30, '-7', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (25, 1, NULL, 0, 1, 4, 19, 31, '-3', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (26, 1, NULL, 0, 1, 5, 15, 27, '-6', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (27, 1, NULL, 0, 1, 5, 15, 28, '1', '5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (28, 1, NULL, 0, 1, 5, 15, 29, '8', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (29, 1, NULL, 0, 1, 5, 15, 30, '0', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (30, 1, NULL, 0, 1, 5, 15, 31, '2', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (31, 1, NULL, 0, 1, 5, 16, 27, '-5', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (32, 1, NULL, 0, 1, 5, 16, 28, '1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (33, 1, NULL, 0, 1, 5, 16, 29, '14', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (34, 1, NULL, 0, 1, 5, 16, 30, '-4', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (35, 1, NULL, 0, 1, 5, 16, 31, '3', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (36, 1, NULL, 0, 1, 5, 17, 27, '-3', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (37, 1, NULL, 0, 1, 5, 17, 28, '-2', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (38, 1, NULL, 0, 1, 5, 17, 29, '10', '4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (39, 1, NULL, 0, 1, 5, 17, 30, '-2', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (40, 1, NULL, 0, 1, 5, 17, 31, '2', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (41, 1, NULL, 0, 1, 5, 18, 27, '-5', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (42, 1, NULL, 0, 1, 5, 18, 28, '-4', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (43, 1, NULL, 0, 1, 5, 18, 29, '4', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (44, 1, NULL, 0, 1, 5, 18, 30, '-4', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (45, 1, NULL, 0, 1, 5, 18, 31, '2', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (46, 1, NULL, 0, 1, 5, 20, 27, '-7', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (47, 1, NULL, 0, 1, 5, 20, 28, '-7', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (48, 1, NULL, 0, 1, 5, 20, 29, '1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (49, 1, NULL, 0, 1, 5, 20, 30, '-12', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (50, 1, NULL, 0, 1, 5, 20, 31, '-4', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (51, 1, NULL, 0, 3, 4, 15, 27, '3', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (52, 1, NULL, 0, 3, 4, 15, 28, '-4', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (53, 1, NULL, 0, 3, 4, 15, 29, '-4', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (54, 1, NULL, 0, 3, 4, 15, 30, '10', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (55, 1, NULL, 0, 3, 4, 15, 31, '-2', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (56, 1, NULL, 0, 3, 4, 16, 27, '3', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (57, 1, NULL, 0, 3, 4, 16, 28, '-3', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (58, 1, NULL, 0, 3, 4, 16, 29, '-6', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (59, 1, NULL, 0, 3, 4, 16, 30, '11', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (60, 1, NULL, 0, 3, 4, 16, 31, '-6', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (61, 1, NULL, 0, 3, 4, 17, 27, '2', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (62, 1, NULL, 0, 3, 4, 17, 28, '-4', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (63, 1, NULL, 0, 3, 4, 17, 29, '-7', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (64, 1, NULL, 0, 3, 4, 17, 30, '16', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (65, 1, NULL, 0, 3, 4, 17, 31, '-5', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (66, 1, NULL, 0, 3, 4, 18, 27, '-1', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (67, 1, NULL, 0, 3, 4, 18, 28, '-1', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (68, 1, NULL, 0, 3, 4, 18, 29, '-13', '-7', NULL, NULL, NULL);
INSERT INTO public.track VALUES (69, 1, NULL, 0, 3, 4, 18, 30, '18', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (70, 1, NULL, 0, 3, 4, 18, 31, '-3', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (71, 1, NULL, 0, 3, 4, 20, 27, '-4', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (72, 1, NULL, 0, 3, 4, 20, 28, '3', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (73, 1, NULL, 0, 3, 4, 20, 29, '-14', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (74, 1, NULL, 0, 3, 4, 20, 30, '27', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (75, 1, NULL, 0, 3, 4, 20, 31, '0', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (76, 1, NULL, 0, 3, 4, 19, 27, '1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (77, 1, NULL, 0, 3, 4, 19, 28, '-3', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (78, 1, NULL, 0, 3, 4, 19, 29, '-9', '-3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (79, 1, NULL, 0, 3, 4, 19, 30, '24', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (80, 1, NULL, 0, 3, 4, 19, 31, '4', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (81, 1, NULL, 0, 3, 5, 15, 27, '8', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (82, 1, NULL, 0, 3, 5, 15, 28, '-5', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (83, 1, NULL, 0, 3, 5, 15, 29, '-2', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (84, 1, NULL, 0, 3, 5, 15, 30, '15', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (85, 1, NULL, 0, 3, 5, 15, 31, '1', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (86, 1, NULL, 0, 3, 5, 16, 27, '1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (87, 1, NULL, 0, 3, 5, 16, 28, '-16', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (88, 1, NULL, 0, 3, 5, 16, 29, '-10', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (89, 1, NULL, 0, 3, 5, 16, 30, '7', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (90, 1, NULL, 0, 3, 5, 16, 31, '-11', '4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (91, 1, NULL, 0, 3, 5, 17, 27, '2', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (92, 1, NULL, 0, 3, 5, 17, 28, '-14', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (93, 1, NULL, 0, 3, 5, 17, 29, '-6', '-7', NULL, NULL, NULL);
INSERT INTO public.track VALUES (94, 1, NULL, 0, 3, 5, 17, 30, '16', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (95, 1, NULL, 0, 3, 5, 17, 31, '-5', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (96, 1, NULL, 0, 3, 5, 18, 27, '-7', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (97, 1, NULL, 0, 3, 5, 18, 28, '-18', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (98, 1, NULL, 0, 3, 5, 18, 29, '-17', '-4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (99, 1, NULL, 0, 3, 5, 18, 30, '14', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (100, 1, NULL, 0, 3, 5, 18, 31, '-8', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (101, 1, NULL, 0, 3, 5, 20, 27, '-4', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (102, 1, NULL, 0, 3, 5, 20, 28, '-11', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (103, 1, NULL, 0, 3, 5, 20, 29, '-12', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (104, 1, NULL, 0, 3, 5, 20, 30, '28', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (105, 1, NULL, 0, 3, 5, 20, 31, '5', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (106, 1, NULL, 0, 3, 6, 15, 27, '0', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (107, 1, NULL, 0, 3, 6, 15, 28, '1', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (108, 1, NULL, 0, 3, 6, 15, 29, '-10', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (109, 1, NULL, 0, 3, 6, 15, 30, '7', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (110, 1, NULL, 0, 3, 6, 15, 31, '-7', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (111, 1, NULL, 0, 3, 6, 16, 27, '5', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (112, 1, NULL, 0, 3, 6, 16, 28, '5', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (113, 1, NULL, 0, 3, 6, 16, 29, '-6', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (114, 1, NULL, 0, 3, 6, 16, 30, '11', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (115, 1, NULL, 0, 3, 6, 16, 31, '-8', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (116, 1, NULL, 0, 3, 6, 17, 27, '-2', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (117, 1, NULL, 0, 3, 6, 17, 28, '5', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (118, 1, NULL, 0, 3, 6, 17, 29, '-9', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (119, 1, NULL, 0, 3, 6, 17, 30, '14', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (120, 1, NULL, 0, 3, 6, 17, 31, '-8', '4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (121, 1, NULL, 0, 3, 6, 18, 27, '0', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (122, 1, NULL, 0, 3, 6, 18, 28, '9', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (123, 1, NULL, 0, 3, 6, 18, 29, '-9', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (124, 1, NULL, 0, 3, 6, 18, 30, '22', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (125, 1, NULL, 0, 3, 6, 18, 31, '-1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (126, 1, NULL, 0, 3, 6, 20, 27, '-4', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (127, 1, NULL, 0, 3, 6, 20, 28, '7', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (128, 1, NULL, 0, 3, 6, 20, 29, '-18', '-4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (129, 1, NULL, 0, 3, 6, 20, 30, '27', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (130, 1, NULL, 0, 3, 6, 20, 31, '-1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (131, 1, NULL, 0, 3, 6, 19, 27, '-3', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (132, 1, NULL, 0, 3, 6, 19, 28, '2', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (133, 1, NULL, 0, 3, 6, 19, 29, '-12', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (134, 1, NULL, 0, 3, 6, 19, 30, '20', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (135, 1, NULL, 0, 3, 6, 19, 31, '0', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (136, 1, NULL, 0, 3, 7, 15, 27, '4', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (137, 1, NULL, 0, 3, 7, 15, 28, '5', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (138, 1, NULL, 0, 3, 7, 15, 29, '-6', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (139, 1, NULL, 0, 3, 7, 15, 30, '9', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (140, 1, NULL, 0, 3, 7, 15, 31, '-4', '4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (141, 1, NULL, 0, 3, 7, 16, 27, '6', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (142, 1, NULL, 0, 3, 7, 16, 28, '7', '-3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (143, 1, NULL, 0, 3, 7, 16, 29, '-6', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (144, 1, NULL, 0, 3, 7, 16, 30, '12', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (145, 1, NULL, 0, 3, 7, 16, 31, '-7', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (146, 1, NULL, 0, 3, 7, 17, 27, '4', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (147, 1, NULL, 0, 3, 7, 17, 28, '11', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (148, 1, NULL, 0, 3, 7, 17, 29, '0', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (149, 1, NULL, 0, 3, 7, 17, 30, '24', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (150, 1, NULL, 0, 3, 7, 17, 31, '0', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (151, 1, NULL, 0, 3, 7, 18, 27, '-3', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (152, 1, NULL, 0, 3, 7, 18, 28, '4', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (153, 1, NULL, 0, 3, 7, 18, 29, '-15', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (154, 1, NULL, 0, 3, 7, 18, 30, '16', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (155, 1, NULL, 0, 3, 7, 18, 31, '-6', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (156, 1, NULL, 0, 3, 7, 20, 27, '-10', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (157, 1, NULL, 0, 3, 7, 20, 28, '3', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (158, 1, NULL, 0, 3, 7, 20, 29, '-19', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (159, 1, NULL, 0, 3, 7, 20, 30, '22', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (160, 1, NULL, 0, 3, 7, 20, 31, '-3', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (161, 1, NULL, 0, 3, 7, 19, 27, '-3', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (162, 1, NULL, 0, 3, 7, 19, 28, '1', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (163, 1, NULL, 0, 3, 7, 19, 29, '-10', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (164, 1, NULL, 0, 3, 7, 19, 30, '19', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (165, 1, NULL, 0, 3, 7, 19, 31, '1', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (166, 1, NULL, 0, 3, 8, 15, 27, '5', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (167, 1, NULL, 0, 3, 8, 15, 28, '7', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (168, 1, NULL, 0, 3, 8, 15, 29, '-5', '-4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (169, 1, NULL, 0, 3, 8, 15, 30, '7', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (170, 1, NULL, 0, 3, 8, 15, 31, '-3', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (171, 1, NULL, 0, 3, 8, 16, 27, '9', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (172, 1, NULL, 0, 3, 8, 16, 28, '10', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (173, 1, NULL, 0, 3, 8, 16, 29, '-5', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (174, 1, NULL, 0, 3, 8, 16, 30, '10', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (175, 1, NULL, 0, 3, 8, 16, 31, '-5', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (176, 1, NULL, 0, 3, 8, 17, 27, '-1', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (177, 1, NULL, 0, 3, 8, 17, 28, '5', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (178, 1, NULL, 0, 3, 8, 17, 29, '-7', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (179, 1, NULL, 0, 3, 8, 17, 30, '7', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (180, 1, NULL, 0, 3, 8, 17, 31, '-5', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (181, 1, NULL, 0, 3, 8, 18, 27, '-4', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (182, 1, NULL, 0, 3, 8, 18, 28, '6', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (183, 1, NULL, 0, 3, 8, 18, 29, '-13', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (184, 1, NULL, 0, 3, 8, 18, 30, '6', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (185, 1, NULL, 0, 3, 8, 18, 31, '-4', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (186, 1, NULL, 0, 3, 8, 20, 27, '1', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (187, 1, NULL, 0, 3, 8, 20, 28, '13', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (188, 1, NULL, 0, 3, 8, 20, 29, '-11', '-6', NULL, NULL, NULL);
INSERT INTO public.track VALUES (189, 1, NULL, 0, 3, 8, 20, 30, '10', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (190, 1, NULL, 0, 3, 8, 20, 31, '5', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (191, 1, NULL, 0, 3, 8, 19, 27, '0', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (192, 1, NULL, 0, 3, 8, 19, 28, '1', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (193, 1, NULL, 0, 3, 8, 19, 29, '-8', '-3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (194, 1, NULL, 0, 3, 8, 19, 30, '11', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (195, 1, NULL, 0, 3, 8, 19, 31, '4', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (196, 1, NULL, 0, 3, 9, 16, 27, '5', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (197, 1, NULL, 0, 3, 9, 16, 28, '6', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (198, 1, NULL, 0, 3, 9, 16, 29, '-8', '-4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (199, 1, NULL, 0, 3, 9, 16, 30, '8', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (200, 1, NULL, 0, 3, 9, 16, 31, '-8', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (201, 1, NULL, 0, 3, 9, 17, 27, '3', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (202, 1, NULL, 0, 3, 9, 17, 28, '8', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (203, 1, NULL, 0, 3, 9, 17, 29, '-2', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (204, 1, NULL, 0, 3, 9, 17, 30, '13', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (205, 1, NULL, 0, 3, 9, 17, 31, '0', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (206, 1, NULL, 0, 3, 9, 18, 27, '-6', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (207, 1, NULL, 0, 3, 9, 18, 28, '7', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (208, 1, NULL, 0, 3, 9, 18, 29, '-11', '-4', NULL, NULL, NULL);
INSERT INTO public.track VALUES (209, 1, NULL, 0, 3, 9, 18, 30, '6', '-2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (210, 1, NULL, 0, 3, 9, 18, 31, '-4', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (211, 1, NULL, 0, 3, 9, 20, 27, '-6', '3', NULL, NULL, NULL);
INSERT INTO public.track VALUES (212, 1, NULL, 0, 3, 9, 20, 28, '10', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (213, 1, NULL, 0, 3, 9, 20, 29, '-13', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (214, 1, NULL, 0, 3, 9, 20, 30, '6', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (215, 1, NULL, 0, 3, 9, 20, 31, '3', '2', NULL, NULL, NULL);
INSERT INTO public.track VALUES (216, 1, NULL, 0, 3, 9, 19, 27, '-2', '1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (217, 1, NULL, 0, 3, 9, 19, 28, '4', '0', NULL, NULL, NULL);
INSERT INTO public.track VALUES (218, 1, NULL, 0, 3, 9, 19, 29, '-6', '-5', NULL, NULL, NULL);
INSERT INTO public.track VALUES (219, 1, NULL, 0, 3, 9, 19, 30, '13', '-1', NULL, NULL, NULL);
INSERT INTO public.track VALUES (220, 1, NULL, 0, 3, 9, 19, 31, '7', '3', NULL, NULL, NULL);


--
-- Data for Name: withdrawals; Type: TABLE DATA; Schema: public; Owner: -
--

INSERT INTO public.withdrawals VALUES (1, 6, 1, 'too few runs');


--
-- Name: alembic_version alembic_version_pkc; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.alembic_version
    ADD CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num);


--
-- Name: changes changes_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.changes
    ADD CONSTRAINT changes_pkey PRIMARY KEY (change);


--
-- Name: corrections corrections_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.corrections
    ADD CONSTRAINT corrections_pkey PRIMARY KEY (entry);


--
-- Name: documents documents_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.documents
    ADD CONSTRAINT documents_pkey PRIMARY KEY (document);


--
-- Name: events events_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.events
    ADD CONSTRAINT events_pkey PRIMARY KEY (entry);


--
-- Name: fitted fitted_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.fitted
    ADD CONSTRAINT fitted_pkey PRIMARY KEY (entry);


--
-- Name: headers headers_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.headers
    ADD CONSTRAINT headers_pkey PRIMARY KEY (header);


--
-- Name: job_states job_states_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.job_states
    ADD CONSTRAINT job_states_pkey PRIMARY KEY (state);


--
-- Name: moves moves_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.moves
    ADD CONSTRAINT moves_pkey PRIMARY KEY (entry);


--
-- Name: names names_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.names
    ADD CONSTRAINT names_pkey PRIMARY KEY (name);


--
-- Name: readings readings_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.readings
    ADD CONSTRAINT readings_pkey PRIMARY KEY (entry);


--
-- Name: reviews reviews_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.reviews
    ADD CONSTRAINT reviews_pkey PRIMARY KEY (entry);


--
-- Name: runs runs_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.runs
    ADD CONSTRAINT runs_pkey PRIMARY KEY (entry);


--
-- Name: seals seals_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.seals
    ADD CONSTRAINT seals_pkey PRIMARY KEY (change);


--
-- Name: sets sets_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.sets
    ADD CONSTRAINT sets_pkey PRIMARY KEY (set);


--
-- Name: track track_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.track
    ADD CONSTRAINT track_pkey PRIMARY KEY (entry);


--
-- Name: names uq_names_digest; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.names
    ADD CONSTRAINT uq_names_digest UNIQUE (digest);


--
-- Name: sets uq_sets_label; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.sets
    ADD CONSTRAINT uq_sets_label UNIQUE (label);


--
-- Name: withdrawals uq_withdrawals_set; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.withdrawals
    ADD CONSTRAINT uq_withdrawals_set UNIQUE (set);


--
-- Name: withdrawals withdrawals_pkey; Type: CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.withdrawals
    ADD CONSTRAINT withdrawals_pkey PRIMARY KEY (withdrawal);


--
-- Name: ix_corrections_job; Type: INDEX; Schema: public; Owner: -
--

CREATE INDEX ix_corrections_job ON public.corrections USING btree (job);


--
-- Name: ix_job_states_job; Type: INDEX; Schema: public; Owner: -
--

CREATE INDEX ix_job_states_job ON public.job_states USING btree (job);


--
-- Name: ix_reviews_job; Type: INDEX; Schema: public; Owner: -
--

CREATE INDEX ix_reviews_job ON public.reviews USING btree (job);


--
-- Name: ix_runs_rotor; Type: INDEX; Schema: public; Owner: -
--

CREATE INDEX ix_runs_rotor ON public.runs USING btree (rotor);


--
-- Name: uq_corrections_fact; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_corrections_fact ON public.corrections USING btree (review, "table", job, after_run, run, blade, adjuster, sensor, regime) WHERE (replaces IS NULL);


--
-- Name: uq_corrections_replaces; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_corrections_replaces ON public.corrections USING btree (replaces) WHERE (replaces IS NOT NULL);


--
-- Name: uq_events_fact; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_events_fact ON public.events USING btree (job, after_run, kind, sensor, note) WHERE (replaces IS NULL);


--
-- Name: uq_events_replaces; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_events_replaces ON public.events USING btree (replaces) WHERE (replaces IS NOT NULL);


--
-- Name: uq_fitted_fact; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_fitted_fact ON public.fitted USING btree (job, blade, adjuster) WHERE (replaces IS NULL);


--
-- Name: uq_fitted_replaces; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_fitted_replaces ON public.fitted USING btree (replaces) WHERE (replaces IS NOT NULL);


--
-- Name: uq_moves_fact; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_moves_fact ON public.moves USING btree (job, after_run, blade, adjuster) WHERE (replaces IS NULL);


--
-- Name: uq_moves_replaces; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_moves_replaces ON public.moves USING btree (replaces) WHERE (replaces IS NOT NULL);


--
-- Name: uq_readings_fact; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_readings_fact ON public.readings USING btree (job, run, regime, sensor) WHERE (replaces IS NULL);


--
-- Name: uq_readings_replaces; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_readings_replaces ON public.readings USING btree (replaces) WHERE (replaces IS NOT NULL);


--
-- Name: uq_reviews_fact; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_reviews_fact ON public.reviews USING btree (review) WHERE (replaces IS NULL);


--
-- Name: uq_reviews_replaces; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_reviews_replaces ON public.reviews USING btree (replaces) WHERE (replaces IS NOT NULL);


--
-- Name: uq_runs_fact; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_runs_fact ON public.runs USING btree (job, run) WHERE (replaces IS NULL);


--
-- Name: uq_runs_replaces; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_runs_replaces ON public.runs USING btree (replaces) WHERE (replaces IS NOT NULL);


--
-- Name: uq_track_fact; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_track_fact ON public.track USING btree (job, run, regime, blade) WHERE (replaces IS NULL);


--
-- Name: uq_track_replaces; Type: INDEX; Schema: public; Owner: -
--

CREATE UNIQUE INDEX uq_track_replaces ON public.track USING btree (replaces) WHERE (replaces IS NOT NULL);


--
-- Name: changes changes_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER changes_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.changes FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: corrections corrections_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER corrections_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.corrections FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: documents documents_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER documents_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.documents FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: events events_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER events_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.events FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: fitted fitted_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER fitted_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.fitted FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: headers headers_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER headers_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.headers FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: job_states job_states_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER job_states_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.job_states FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: moves moves_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER moves_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.moves FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: names names_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER names_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.names FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: readings readings_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER readings_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.readings FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: reviews reviews_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER reviews_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.reviews FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: runs runs_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER runs_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.runs FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: seals seals_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER seals_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.seals FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: sets sets_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER sets_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.sets FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: track track_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER track_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.track FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: withdrawals withdrawals_append_only; Type: TRIGGER; Schema: public; Owner: -
--

CREATE TRIGGER withdrawals_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.withdrawals FOR EACH STATEMENT EXECUTE FUNCTION public.logbook_append_only();


--
-- Name: corrections fk_corrections_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.corrections
    ADD CONSTRAINT fk_corrections_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: corrections fk_corrections_replaces; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.corrections
    ADD CONSTRAINT fk_corrections_replaces FOREIGN KEY (replaces) REFERENCES public.corrections(entry);


--
-- Name: documents fk_documents_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.documents
    ADD CONSTRAINT fk_documents_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: events fk_events_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.events
    ADD CONSTRAINT fk_events_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: events fk_events_replaces; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.events
    ADD CONSTRAINT fk_events_replaces FOREIGN KEY (replaces) REFERENCES public.events(entry);


--
-- Name: fitted fk_fitted_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.fitted
    ADD CONSTRAINT fk_fitted_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: fitted fk_fitted_replaces; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.fitted
    ADD CONSTRAINT fk_fitted_replaces FOREIGN KEY (replaces) REFERENCES public.fitted(entry);


--
-- Name: headers fk_headers_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.headers
    ADD CONSTRAINT fk_headers_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: job_states fk_job_states_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.job_states
    ADD CONSTRAINT fk_job_states_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: job_states fk_job_states_closing_run; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.job_states
    ADD CONSTRAINT fk_job_states_closing_run FOREIGN KEY (closing_run) REFERENCES public.names(name);


--
-- Name: job_states fk_job_states_job; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.job_states
    ADD CONSTRAINT fk_job_states_job FOREIGN KEY (job) REFERENCES public.names(name);


--
-- Name: moves fk_moves_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.moves
    ADD CONSTRAINT fk_moves_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: moves fk_moves_replaces; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.moves
    ADD CONSTRAINT fk_moves_replaces FOREIGN KEY (replaces) REFERENCES public.moves(entry);


--
-- Name: names fk_names_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.names
    ADD CONSTRAINT fk_names_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: readings fk_readings_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.readings
    ADD CONSTRAINT fk_readings_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: readings fk_readings_replaces; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.readings
    ADD CONSTRAINT fk_readings_replaces FOREIGN KEY (replaces) REFERENCES public.readings(entry);


--
-- Name: reviews fk_reviews_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.reviews
    ADD CONSTRAINT fk_reviews_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: reviews fk_reviews_replaces; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.reviews
    ADD CONSTRAINT fk_reviews_replaces FOREIGN KEY (replaces) REFERENCES public.reviews(entry);


--
-- Name: runs fk_runs_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.runs
    ADD CONSTRAINT fk_runs_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: runs fk_runs_replaces; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.runs
    ADD CONSTRAINT fk_runs_replaces FOREIGN KEY (replaces) REFERENCES public.runs(entry);


--
-- Name: seals fk_seals_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.seals
    ADD CONSTRAINT fk_seals_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: sets fk_sets_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.sets
    ADD CONSTRAINT fk_sets_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: sets fk_sets_chart; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.sets
    ADD CONSTRAINT fk_sets_chart FOREIGN KEY (chart) REFERENCES public.documents(document);


--
-- Name: sets fk_sets_known; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.sets
    ADD CONSTRAINT fk_sets_known FOREIGN KEY (known) REFERENCES public.changes(change);


--
-- Name: sets fk_sets_rotor; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.sets
    ADD CONSTRAINT fk_sets_rotor FOREIGN KEY (rotor) REFERENCES public.documents(document);


--
-- Name: track fk_track_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.track
    ADD CONSTRAINT fk_track_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: track fk_track_replaces; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.track
    ADD CONSTRAINT fk_track_replaces FOREIGN KEY (replaces) REFERENCES public.track(entry);


--
-- Name: withdrawals fk_withdrawals_change; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.withdrawals
    ADD CONSTRAINT fk_withdrawals_change FOREIGN KEY (change) REFERENCES public.changes(change);


--
-- Name: withdrawals fk_withdrawals_set; Type: FK CONSTRAINT; Schema: public; Owner: -
--

ALTER TABLE ONLY public.withdrawals
    ADD CONSTRAINT fk_withdrawals_set FOREIGN KEY (set) REFERENCES public.sets(set);


--
-- PostgreSQL database dump complete
--


