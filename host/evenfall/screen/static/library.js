// The library: runs to pick, sessions, before and after, control chart, calibrations.
import { began, number, power, say, sentence, signed, torque, unit, unitsNow, when } from "./lang.js";
import { get, post } from "./net.js";
import { ask, runAction, showMessage } from "./talk.js";
import { Chart, pairStroke } from "./chart.js";
import { button, choice, field, figure, h, input, list, table, viewsOf } from "./parts.js";
import { runLine } from "./live.js";

const VIEWS = { runs, sessions, compare, chart, calibrations };
const MOST = 6;
const state = {
  view: "runs", words: "", engine: "", build: "", excluded: "", sort: "date", verdict: "", tag: "", since: "", until: "", power_from: "", power_to: "", more: false, page: 0, picked: [], what: "power", table: "bins",
  session: null, sessionsPage: 0, before: "", after: "", band: "", compareEngine: "", chartEngine: "", chartBuild: "",
};
const { draw, show } = viewsOf("library", VIEWS, state);
let engines = [];

export async function open(section) {
  try { engines = (await get("engines")).engines; } catch (error) { showMessage(say("failed", { error: error.message }), true); }
  await show(section);
}

const engineOptions = (any) => [["", say(any)], ...engines.map((e) => [e.name, e.name])];

async function buildOptions(engine, any) {
  if (!engine) return [["", say(any)]];
  const { builds } = await get("builds", { engine });
  return [["", say(any)], ...builds.map((b) => [b.build, b.build])];
}

// --- runs ---

async function runs(body) {
  const set = (key) => (value) => { state[key] = value; state.page = 0; if (key === "engine") state.build = ""; draw(`#find-${key}`); };
  const words = input({ id: "find-words", type: "search", value: state.words, onchange: () => set("words")(words.value) });
  const pick = (key, options) => { const c = choice(options, state[key], set(key)); c.id = `find-${key}`; return c; };
  body.append(h("form", { class: "finder", "aria-label": say("find_title"), onsubmit: (e) => { e.preventDefault(); set("words")(words.value); } },
    field("find_words", words),
    field("find_engine", pick("engine", engineOptions("find_any"))),
    field("find_build", pick("build", await buildOptions(state.engine, "find_any"))),
    field("find_excluded", pick("excluded", [["", say("find_counting")], ["also", say("find_also")], ["only", say("find_only")]])),
    field("find_sort", pick("sort", [["date", say("sort_date")], ["power", say("sort_power")], ["torque", say("sort_torque")]]))));
  body.append(moreFilters(set, pick));
  const { words: w, engine, build, excluded, sort, page, verdict: judged, tag, since, until } = state;
  const watts = (text) => (text === "" ? "" : Number(text.replace(",", ".")) * unit().W);
  const found = await get("runs", { words: w, engine, build, excluded, sort, page, verdict: judged, tag, since, until,
    power_from: watts(state.power_from), power_to: watts(state.power_to) });
  body.append(await pickedRuns());
  body.append(runTable(say("library_runs"), found.runs));
  if (found.excluded) body.append(h("p", { text: say("find_hidden", { count: found.excluded }) }));
  body.append(pager(found, (to) => { state.page = to; draw(".pager button[aria-disabled=false]"); }));
}

// the rest of the search, folded away until it is wanted
function moreFilters(set, pick) {
  const typed = (key, props) => {
    const one = input({ id: `find-${key}`, value: state[key], ...props });
    one.onchange = () => set(key)(one.value.trim());
    return field(`find_${key}`, one);
  };
  const verdicts = ["good", "fair", "poor", "aborted", "recorded"].map((v) => [v, sentence("verdicts", v)]);
  const box = h("details", { class: "more", "aria-label": say("find_more") }, h("summary", { text: say("find_more") }), h("div", { class: "finder" },
    field("find_verdict", pick("verdict", [["", say("find_any")], ...verdicts])), typed("tag"), typed("since", { type: "date" }), typed("until", { type: "date" }),
    typed("power_from", { inputmode: "decimal", placeholder: unit().power }), typed("power_to", { inputmode: "decimal", placeholder: unit().power })));
  box.open = state.more;
  box.ontoggle = () => { state.more = box.open; };
  return box;
}

function pager(found, go) {
  return h("div", { class: "row pager" },
    button("newer", () => go(found.page - 1), { "aria-disabled": String(found.page === 0) }),
    h("span", { class: "num", text: say("page_number", { page: found.page + 1 }) }),
    button("older", () => go(found.page + 1), { "aria-disabled": String(!found.more) }));
}

function runTable(caption, rows) {
  const columns = ["col_pick", "col_run", "col_date", "col_engine", "col_build", "col_power", "col_at", "col_sweep", "col_verdict", "col_remark"].map((k) => say(k));
  const t = table(caption, columns, rows.map((r) => {
    const box = h("input", { type: "checkbox", id: `pick-${r.run}`, "aria-label": say("pick_run", { run: r.run }), onchange: () => toggle(r.run) });
    box.checked = state.picked.includes(r.run);
    return [h("label", { class: "tick" }, box), String(r.run), began(r), r.engine ?? "", r.build ?? "",
      r.peak_power_W === null ? say("no_value") : `${number(power(r.peak_power_W), 2)} ${unit().power}`, number(r.peak_power_rpm), number(r.sweep_time_s, 2),
      sentence("verdicts", r.verdict), remark(r)];
  }));
  t.querySelectorAll("tbody tr").forEach((tr) => {
    const box = tr.querySelector("input");
    tr.classList.toggle("picked", box.checked);
    tr.onclick = (event) => { if (!event.target.closest("label, input")) box.click(); };
  });
  return t;
}

function remark(r) {
  const why = r.excluded ? say("after_excluded", { reason: r.excluded }) : r.left_out;
  return [r.tags?.split(", ").includes(why) ? null : why, r.tags].filter(Boolean).join("; ");
}

function toggle(run) {
  if (state.picked.includes(run)) state.picked = state.picked.filter((n) => n !== run);
  else if (state.picked.length < MOST) state.picked.push(run);
  else showMessage(say("pick_most", { most: MOST }));
  draw(`#pick-${run}`);
}

async function pickedRuns() {
  const box = h("div", { class: "picked-runs", "aria-live": "polite" });
  if (!state.picked.length) { box.append(h("p", { class: "empty", text: say("pick_none", { most: MOST }) })); return box; }
  const { curves, without } = await get("curves", { runs: state.picked.join(",") });
  const power_ = state.what === "power";
  const drawn = figure(say(power_ ? "chart_power" : "chart_torque"));
  const lines = curves.map((c, i) => ({
    name: [say("line_this", { run: c.run }), c.build].filter(Boolean).join(", "), stroke: pairStroke(i), x: c.curve.speed_rpm,
    y: power_ ? c.curve.power_W.map(power) : c.curve.torque_Nm.map(torque) }));
  if (lines.length === 1) bands(lines[0], curves[0].curve, power_);
  const unitName = power_ ? unit().power : unit().torque;
  new Chart(drawn.svg).show(lines, { x: say("axis_speed"), y: say(power_ ? "axis_power" : "axis_torque", { unit: unitName }) }, say("chart_power"), unitName);
  const spec = runSpec();
  box.append(drawn.box, without.length ? h("p", { text: say("pick_without", { runs: without.join(", ") }) }) : "",
    h("div", { class: "row" },
      button(power_ ? "show_torque" : "show_power", () => { state.what = power_ ? "torque" : "power"; draw(); }),
      button("open_report", () => report({ runs: spec, everything: true })),
      ...exports(spec),
      button("as_before", () => { state.before = spec; state.compareEngine = ""; showMessage(say("as_before_done", { runs: spec })); }),
      button("as_after", () => { state.after = spec; state.compareEngine = ""; state.view = "compare"; draw(); }),
      button("pick_clear", () => { state.picked = []; draw(); })));
  if (state.picked.length === 1) box.append(await oneRun(state.picked[0]));
  return box;
}

const runSpec = () => [...state.picked].sort((a, b) => a - b).join(",");

function bands(line, c, power_) {
  const half = power_ ? c.power_half_W.map(power) : c.torque_half_Nm.map(torque);
  line.low = line.y.map((v, i) => (half[i] === null ? null : v - half[i]));
  line.high = line.y.map((v, i) => (half[i] === null ? null : v + half[i]));
}

async function oneRun(run) {
  const r = await get("run", { run });
  const change = async (name, question, key, done) => {
    const text = await ask(say(question, { run }));
    if (text !== null) { await runAction(name, { run, [key]: text }, say(done, { run })); draw(); }
  };
  return h("div", { class: "one-run" },
    h("p", { class: "after-line", text: runLine(r) }),
    r.banner ? h("p", { class: "after-banner", text: r.banner }) : "",
    list(r.warnings) ?? "",
    list(r.notes.map((n) => `${when(n.made_unix_s)}  ${n.text}`)) ?? "",
    h("div", { class: "row" },
      r.excluded === null ? button("exclude", () => change("exclude", "ask_exclude", "reason", "done_exclude"))
        : button("include", async () => { await runAction("include", { run }, say("done_include", { run })); draw(); }),
      button("note", () => change("note", "ask_note", "text", "done_note")),
      button("tag", () => change("tag", "ask_tag", "tag", "done_tag"))));
}

async function report(body) {
  // the window is opened at the press itself: later a browser would take it for unasked
  const page = window.open("about:blank", "_blank");
  try {
    const got = await post("report", { ...body, units: unitsNow() });
    if (page) page.location.href = `/report/${encodeURIComponent(got.name)}`;
    showMessage(say("report_at", { path: got.path }));
  } catch (error) {
    page?.close();
    showMessage(say("failed", { error: error.message }), true);
  }
}

// what to export, and in which form; the file comes by the browser's own download
function exports(runs) {
  return [field("export_what", choice(["bins", "runs", "samples"].map((t) => [t, say(`export_${t}`)]), state.table, (v) => { state.table = v; })),
    button("export_csv", () => exported(runs, "csv")), button("export_parquet", () => exported(runs, "parquet"))];
}

async function exported(runs, form) {
  const response = await fetch("/action/export", { method: "POST", headers: { "content-type": "application/json" },
    body: JSON.stringify({ runs, table: state.table, units: unitsNow(), form }) });
  if (!response.ok) { showMessage(say("failed", { error: (await response.json()).error }), true); return; }
  const link = h("a", { href: URL.createObjectURL(await response.blob()), download: `runs-${runs.replaceAll(",", "_")}-${state.table}.${form}` });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  showMessage(say("export_done", { file: link.download }));
}

// --- sessions ---

async function sessions(body) {
  if (state.session !== null) { body.append(await oneSession(state.session)); return; }
  const found = await get("sessions", { page: state.sessionsPage });
  body.append(table(say("library_sessions"), ["col_session", "col_date", "col_runs", "col_title"].map((k) => say(k)), found.sessions.map((s) =>
    [button("open_session", () => { state.session = s.session; draw(); }, { text: say("open_session", { session: s.session }) }), when(s.started_unix_s), String(s.runs), s.title])));
  body.append(pager(found, (to) => { state.sessionsPage = to; draw(); }));
}

async function oneSession(session) {
  const s = await get("session", { session });
  const box = h("div", {}, h("div", { class: "row" }, button("all_sessions", () => { state.session = null; draw(); })));
  const rows = s.scatter.map((b) => [[b.engine, b.build].filter(Boolean).join(", ") || say("no_engine"), String(b.runs), `${number(power(b.mean_W), 2)} ${unit().power}`,
    b.s_r_W === null ? say("scatter_one") : `${number(100 * b.s_r_W / b.mean_W, 2)} %`, b.r_W === null ? "" : `${number(power(b.r_W), 3)} ${unit().power}`]);
  box.append(table(say("scatter_title", { session }), ["col_build", "col_runs", "col_mean", "col_scatter", "col_r"].map((k) => say(k)), rows));
  const drawn = figure(say("chart_session"));
  const made = [...s.runs].reverse().filter((r) => r.peak_power_W !== null && !r.left_out);
  const names = [...new Set(made.map((r) => [r.engine, r.build].filter(Boolean).join(", ")))];
  const lines = names.slice(0, MOST).map((name, i) => {
    const of = made.map((r, at) => [r, at + 1]).filter(([r]) => [r.engine, r.build].filter(Boolean).join(", ") === name);
    return { name: name || say("no_engine"), stroke: pairStroke(i), dots: true, x: of.map(([, at]) => at), y: of.map(([r]) => power(r.peak_power_W)) };
  });
  new Chart(drawn.svg).show(lines, { x: say("axis_order"), y: say("axis_peak", { unit: unit().power }) }, say("chart_session"), unit().power, near(lines));
  box.append(drawn.box, s.left_out ? h("p", { text: s.left_out }) : "", runTable(say("session_runs", { session }), s.runs));
  return box;
}

// a range of y around the points instead of from zero: scatter is small
function near(lines, spare = 0.25) {
  const all = lines.flatMap((l) => [...l.y, ...(l.low ?? []), ...(l.high ?? [])]).filter((v) => v !== null);
  if (!all.length) return {};
  const low = Math.min(...all), high = Math.max(...all), room = (high - low || Math.abs(high) * 0.02 || 1) * spare;
  return { y: [low - room, high + room], whole: true };
}

// --- before and after ---

async function compare(body) {
  const builds = await buildOptions(state.compareEngine, "find_any");
  const spec = (key) => {
    const one = input({ value: state[key], list: "builds", placeholder: say("spec_sample"), onchange: () => { state[key] = one.value; } });
    return field(`compare_${key}`, one);
  };
  const band = input({ value: state.band, placeholder: say("band_sample"), onchange: () => { state.band = band.value; } });
  const out = h("div", { class: "verdict", "aria-live": "polite" });
  body.append(h("form", { class: "finder", "aria-label": say("library_compare"), onsubmit: (e) => { e.preventDefault(); verdict(out); } },
    field("compare_engine", choice(engineOptions("find_by_number"), state.compareEngine, (v) => { state.compareEngine = v; draw(); })),
    spec("before"), spec("after"), field("compare_band", band),
    h("datalist", { id: "builds" }, ...builds.slice(1).map(([v]) => h("option", { value: v }))),
    h("button", { type: "submit", class: "wanted", text: say("compare_do") })), out);
  if (state.before && state.after) await verdict(out);
}

async function verdict(out) {
  out.replaceChildren(h("p", { text: say("working") }));
  try {
    const c = await post("compare", { before: state.before.trim(), after: state.after.trim(), engine: state.compareEngine, band: state.band.trim(), units: unitsNow() });
    out.replaceChildren(...verdictParts(c));
  } catch (error) {
    out.replaceChildren(h("p", { class: "empty", role: "alert", text: say("failed", { error: error.message }) }));
  }
}

function gainRow(name, g, to, unitName) {
  return [say(name), `${number(to(g.before), 3)} ${unitName}`, `${number(to(g.after), 3)} ${unitName}`,
    `${signed(to(g.difference), 3)} ± ${number(to(g.half_width), 3)} ${unitName}`, `${signed(100 * g.relative, 1)} %`, say(g.real ? "gain_real" : "gain_noise")];
}

function verdictParts(c) {
  const gains = [gainRow("gain_power", c.peak_power_W, power, unit().power), gainRow("gain_torque", c.peak_torque_Nm, torque, unit().torque)];
  if (c.mean_power_W.difference !== null) {
    gains.push(gainRow("gain_mean", c.mean_power_W, power, unit().power));
    gains.at(-1)[0] = say("gain_mean_band", { low: number(c.band_rpm[0]), high: number(c.band_rpm[1]) });
  }
  const curves = figure(say("chart_power")), gain = figure(say("chart_gain"));
  const of = (g, i) => {
    const x = [], y = [], low = [], high = [];
    for (const b of g.bins) if (b.power_W !== null) {
      x.push(b.speed_rpm); y.push(power(b.power_W));
      low.push(b.power_half_W === null ? null : power(b.power_W - b.power_half_W)); high.push(b.power_half_W === null ? null : power(b.power_W + b.power_half_W));
    }
    return { name: g.label, stroke: pairStroke(i), x, y, low, high };
  };
  new Chart(curves.svg).show([of(c.before, 0), of(c.after, 1)], { x: say("axis_speed"), y: say("axis_power", { unit: unit().power }) }, say("chart_power"), unit().power);
  const bins = c.bins.filter((b) => b.power_W !== null);
  const line = { name: say("line_gain"), stroke: pairStroke(0), x: bins.map((b) => b.speed_rpm), y: bins.map((b) => power(b.power_W)),
    low: bins.map((b) => (b.power_half_W === null ? null : power(b.power_W - b.power_half_W))), high: bins.map((b) => (b.power_half_W === null ? null : power(b.power_W + b.power_half_W))) };
  const marks = bins.filter((b) => b.real);
  const lines = [line];
  if (marks.length) lines.push({ name: say("line_real"), stroke: pairStroke(3), dots: true, alone: true, x: marks.map((b) => b.speed_rpm), y: marks.map((b) => power(b.power_W)) });
  new Chart(gain.svg).show(lines, { x: say("axis_speed"), y: say("axis_gain", { unit: unit().power }) }, say("chart_gain"), unit().power, { ...near([line], 0.15), zero: true, whole: false });
  return [
    h("p", { class: "verdict-line", text: c.verdict }),
    table(say("gain_title"), ["col_figure", "col_before", "col_after", "col_gain", "col_share", "col_real"].map((k) => say(k)), gains),
    h("div", { class: "charts pair" }, curves.box, gain.box),
    list([...c.sessions, ...c.differences, ...c.left_out, ...[c.before, c.after].flatMap((g) => g.findings.map((f) => `${g.label}: ${f.sentence}`))]) ?? "",
    h("div", { class: "row" }, button("open_report", () => report({ runs: state.before.trim(), after: state.after.trim(), engine: state.compareEngine }))),
  ];
}

// --- control chart ---

async function chart(body) {
  const builds = await buildOptions(state.chartEngine, "find_any");
  body.append(h("div", { class: "finder" },
    field("find_engine", choice(engineOptions("find_choose"), state.chartEngine, (v) => { state.chartEngine = v; state.chartBuild = ""; draw(); })),
    field("find_build", choice(builds, state.chartBuild, (v) => { state.chartBuild = v; draw(); }))));
  if (!state.chartEngine) { body.append(h("p", { class: "empty", text: say("chart_choose") })); return; }
  const c = await get("chart", { engine: state.chartEngine, build: state.chartBuild, units: unitsNow() });
  const drawn = figure(say("chart_control", { engine: state.chartEngine }));
  const x = c.mean_W.map((_, i) => i + 1), flat = (watts) => x.map(() => power(watts));
  const alarms = c.alarms.map((a) => a.index);
  const lines = [
    { name: say("line_limit"), stroke: pairStroke(5), x, y: flat(c.centre_W + c.limits_W[1]) },
    { name: say("line_centre"), stroke: pairStroke(1), x, y: flat(c.centre_W) },
    { name: "", stroke: pairStroke(5), x, y: flat(c.centre_W - c.limits_W[1]) },
    { name: say("line_sessions"), stroke: pairStroke(0), dots: true, x, y: c.mean_W.map(power) },
  ];
  if (alarms.length) lines.push({ name: say("line_alarm"), stroke: pairStroke(3), dots: true, alone: true, big: true, x: alarms.map((i) => i + 1), y: alarms.map((i) => power(c.mean_W[i])) });
  new Chart(drawn.svg).show(lines, { x: say("axis_session"), y: say("axis_peak", { unit: unit().power }) }, say("chart_control", { engine: state.chartEngine }), unit().power, near(lines));
  body.append(drawn.box, list(c.lines) ?? "", table(say("library_sessions"), ["col_session", "col_runs", "col_mean", "col_sigma"].map((k) => say(k)),
    c.labels.map((label, i) => [label, String(c.runs[i]), `${number(power(c.mean_W[i]), 3)} ${unit().power}`, signed(c.z[i], 1)])));
}

// --- calibrations ---

async function calibrations(body) {
  const c = await get("calibrations");
  body.append(table(say("calibrations_title"), ["col_number", "col_date", "col_span", "col_u", "col_arm", "col_note", "col_active"].map((k) => say(k)),
    c.calibrations.map((r) => [String(r.number), when(r.made_unix_s), number(r.span_count_per_N, 1), `± ${number(196 * r.span_u_rel, 2)} %`,
      `${number(1000 * r.arm_m, 2)} mm`, r.note, r.active ? say("active") : ""])));
  body.append(list(c.warnings, "lines strong") ?? "");
  if (c.drift_per_year !== null && c.check_weights.length > 2) {
    body.append(h("p", { text: say("drift", { drift: signed(100 * c.drift_per_year, 2), half: number(100 * c.drift_half_per_year, 2) }) }));
  }
  if (c.check_weights.some((w) => w.error !== null)) {
    const drawn = figure(say("chart_check"));
    const line = { name: say("line_check"), stroke: pairStroke(0), dots: true, x: c.check_weights.map((_, i) => i + 1), y: c.check_weights.map((w) => (w.error === null ? null : 100 * w.error)) };
    new Chart(drawn.svg).show([line], { x: say("axis_reading"), y: "%" }, say("chart_check"), "%", { y: [Math.min(-1, ...line.y), Math.max(1, ...line.y)], zero: true, whole: true });
    body.append(drawn.box);
  }
  body.append(table(say("check_title"), ["col_date", "col_mass", "col_count", "col_off"].map((k) => say(k)), c.check_weights.map((w) =>
    [when(w.unix_s), `${number(w.mass_kg, 3)} kg`, number(w.count), w.error === null ? say("no_value") : `${signed(100 * w.error, 2)} %`]).reverse()));
}

