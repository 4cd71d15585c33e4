// The live part: what the bench does now, and the run that has just been made.
import { number, plusMinus, power, pressure, say, sentence, signed, temperature, torque, unit } from "./lang.js";
import { get } from "./net.js";
import { ask, runAction, showMessage } from "./talk.js";
import { tone } from "./tones.js";
import { Chart, STROKES } from "./chart.js";
import { allow, h, list } from "./parts.js";

const by = (id) => document.getElementById(id);
const SWEEPING = ["steady", "sweep", "release", "characterise", "record"];
const LIGHT = { ready: "armed", steady: "run", sweep: "run", release: "run", characterise: "run", measured: "run", record: "run", safe: "fault" };
const FIGURES = ["speed", "power", "left", "set", "torque", "valve", "water", "air", "waiting", "room"];
const FEW_RUNS = 3; // no more than these fit on the board: the board's LED says so, too
let latest = null;
let gone = false;
let run = null; // the run shown after a sweep
let shownRun = null;
let before = { state: null, fault: "none" };
let curve, track;
const sweep = { number: -1, time: [], speed: [], set: [], x: [], y: [], watts: [] };
const drawn = {};
let saidUpTo = -1;
let practice = false;

function put(id, text) {
  if (drawn[id] !== text) { drawn[id] = text; by(id).textContent = text; }
}

export function startLive(start) {
  practice = start.practice;
  by("hands").hidden = !practice;
  curve = new Chart(by("curve"));
  track = new Chart(by("track"));
  by("zero").onclick = () => runAction("zero", {}, (got) => say("done_zero", { zero: number(got.zero) }));
  by("arm").onclick = () => runAction("arm");
  by("stop").onclick = by("stop-head").onclick = () => runAction("stop");
  by("clear").onclick = () => runAction("clear");
  by("fetch").onclick = () => runAction("fetch", {}, (got) =>
    got.runs.length ? say("done_fetch", { runs: got.runs.join(", ") }) : say("done_fetch_none"));
  for (const b of document.querySelectorAll("[data-hands]")) b.onclick = () => runAction("hands", { words: b.dataset.hands });
  by("hands-hang").onclick = async () => {
    const mass = await ask(say("ask_hang"), say("weight_sample"));
    if (mass !== null) await runAction("hands", { words: `hang ${mass}` }, (got) => got.said);
  };
  by("keep").onclick = keep;
  by("exclude").onclick = exclude;
  by("note").onclick = () => remark("note", "ask_note", "text", "done_note");
  by("tag").onclick = () => remark("tag", "ask_tag", "tag", "done_tag");
  loadRun(null);
}

const listeners = new Set();

// `take` is called with every reading while its element is on the page
export function onState(take) { listeners.clear(); listeners.add(take); }
export function currentState() { return gone ? null : latest; }

// --- the reading ---

export function showState(now) {
  gone = false;
  latest = now;
  tones(now);
  for (const take of listeners) take(now);
  takePoints(now.sweep);
  for (const s of now.messages) {
    if (s.number > saidUpTo) { saidUpTo = s.number; showMessage(s.text, s.bad); }
  }
  if (now.newest_run !== null && now.newest_run !== shownRun) loadRun(now.newest_run);
  render();
}

export function programEnded() {
  if (gone) return;
  gone = true;
  render();
}

function tones(now) {
  const r = now.reading;
  if (!r || !now.connected) return;
  const first = before.state === null;
  if (!first && r.fault !== "none" && before.fault === "none") tone("fault");
  else if (!first && r.state !== before.state) {
    if (r.state === "ready") tone("armed");
    if (r.state === "sweep") tone("start");
    if (r.state === "release" || (r.state === "store" && before.state !== "release")) tone("done");
  }
  if (!first && measured(now) && !before.measured) tone("done");
  before = { state: r.state, fault: r.fault, measured: measured(now) };
}

function takePoints(s) {
  if (s.number !== sweep.number || s.from === 0) {
    const fresh = s.number !== sweep.number;
    Object.assign(sweep, { number: s.number, time: [], speed: [], set: [], x: [], y: [], watts: [] });
    if (fresh && s.points.length) { run = null; showAfter(false); }
    sweep.fresh = true;
  }
  for (const [t, speed, set, , watts, ramp] of s.points) {
    sweep.time.push(t); sweep.speed.push(speed); sweep.set.push(set);
    if (ramp && watts !== null) { sweep.x.push(speed); sweep.watts.push(watts); sweep.y.push(power(watts)); }
  }
  sweep.grew ||= s.points.length > 0;
}

// the valve is measured, and the board holds the load until the throttle is shut: its state says nothing of that
const measured = (now) => now.reading?.state === "characterise" && now.reading.set_rpm > 0 && now.reading.set_rpm <= now.sweep.end_rpm;

export function situation() {
  if (gone) return "no_program";
  if (!latest.connected) return latest.cause === "in_use" ? "in_use" : latest.cause === "silent" ? "silent" : "no_board";
  return measured(latest) ? "measured" : latest.reading.state;
}

function render() {
  if (!latest) return;
  const now = situation(), r = latest.reading;
  const light = gone || !latest.connected ? "lost" : LIGHT[now] ?? "rest";
  if (document.body.dataset.light !== light) document.body.dataset.light = light;
  put("state-words", stateWords(now));
  put("state-more", stateMore());
  put("state-next", nextStep(now, r));
  fault(r);
  const step = latest.guided?.step;
  if (by("guided-strip").hidden === Boolean(step)) by("guided-strip").hidden = !step;
  put("guided-strip", step ? say("guided_strip", { step: say(`guided_${step}`) }) : "");
  put("line", lineWords());
  if (r) figures(now, r); else for (const id of FIGURES) put(id, say("no_value"));
  if (document.body.dataset.part === "live" && sweep.grew) { grow(); sweep.grew = false; }
  buttons(now, r);
}

function stateWords(now) {
  const task = latest.task;
  if (!gone && latest.connected && task?.name === "fetch" && task.of) {
    return say("state_fetch", { run: task.run });
  }
  return say(`state_${now}`);
}

// beside the state: what counts up by itself, which no screen reader is to read out ten times a second
function stateMore() {
  const task = latest.task;
  if (gone) return "";
  if (latest.connected && task?.name === "fetch" && task.of) return say("state_percent", { percent: Math.floor(100 * task.done / task.of) });
  const age = latest.reading && !task ? latest.age_s : 0;
  return age > 2 ? say("state_old", { age: Math.floor(age) }) : "";
}

const few = () => latest.runs_fit !== null && latest.runs_fit <= FEW_RUNS;

function nextStep(now, r) {
  if (now === "no_program") return say("next_no_program");
  if (!latest.connected) return say(now === "in_use" ? "next_in_use" : "next_no_board", { sentence: latest.sentence ? `${latest.sentence}.` : "" });
  const key = now === "rest" && r.speed_rpm > 0 ? "next_rest_turning" : now === "ready" && latest.valve_next ? "next_ready_valve" : `next_${now}`;
  const missing = r.missing.filter((name) => name !== "clock_set" && name !== "speed_ok");
  const look = missing.length ? ` ${say("look_at", { what: missing.map((name) => sentence("status", name)).join(", ") })}` : "";
  const room = few() && ["rest", "ready"].includes(now) ? ` ${say(r.runs_waiting ? "room_fetch" : "room_delete", { count: latest.runs_fit })}` : "";
  return say(key) + room + look;
}

function fault(r) {
  const there = Boolean(r && latest.connected && r.fault !== "none" && !gone);
  if (by("fault").hidden === there) by("fault").hidden = !there;
  if (there) put("fault-text", say("fault_more", { text: sentence("faults", r.fault) }));
}

function lineWords() {
  if (!latest.connected || gone) return say("line_none");
  const words = say("line_board", { state: stateWords(situation()), uid: (latest.board.uid ?? "").slice(-6), port: (latest.board.port ?? "").split("/").pop() });
  return latest.reconnects ? `${words}, ${say("line_reconnects", { count: latest.reconnects })}` : words;
}

function water(now, r) {
  if (!["steady", "sweep"].includes(now) || r.valve_open === null) return say(now === "ready" || now === "rest" ? "water_rest" : "no_value");
  return say(r.valve_open > 0.97 ? "water_none" : r.valve_open > 0.8 ? "water_little" : "water_plenty");
}

function figures(now, r) {
  const s = latest.sweep;
  put("speed", number(Math.round(r.speed_rpm / 10) * 10));
  put("power", number(power(r.power_W), 2));
  put("power-unit", unit().power);
  put("left", s.left_s === null ? number(now === "steady" || now === "ready" ? s.length_s : null) : number(s.left_s, 1));
  put("set", r.set_rpm ? `${number(Math.round(r.set_rpm / 10) * 10)} ${say("rpm")}` : say("no_value"));
  put("torque", `${number(torque(r.torque_Nm), 2)} ${unit().torque}`);
  put("valve", r.valve_open === null ? say("no_value") : r.valve_open < 0.005 ? say("valve_shut") : say("valve_value", { percent: number(100 * r.valve_open) }));
  put("water", water(now, r));
  put("air", airWords(r.air));
  put("waiting", r.runs_waiting ? say("waiting_some", { count: r.runs_waiting }) : say("waiting_none"));
  put("room", latest.runs_fit === null ? say("no_value") : say(few() ? "room_few" : "room_some", { count: latest.runs_fit }));
  by("room").parentElement.classList.toggle("short", few());
}

function airWords(a) {
  if (!a) return say("air_none");
  const values = { pressure: pressure(a.pressure_Pa), temperature: temperature(a.temperature_K), humidity: number(100 * a.humidity), factor: number(a.factor, 4) };
  return say(a.factor === null ? "air_plain" : "air_value", values);
}

function buttons(now, r) {
  const there = !gone && latest.connected && r;
  const rest = there && (now === "rest" || now === "ready");
  enable("zero", rest && r.speed_rpm === 0);
  enable("arm", there && now === "rest" && r.fault === "none");
  enable("clear", there && r.fault !== "none");
  enable("fetch", there && (now === "rest" || now === "safe"));
  enable("stop", there);
  enable("stop-head", there);
  for (const b of document.querySelectorAll("[data-hands]")) {
    const wanted = { ready: "throttle open", release: "throttle close", measured: "throttle close", safe: "throttle close", record: "throttle close" }[now];
    const lost = !gone && !latest.connected && b.dataset.hands === "cable in";
    b.classList.toggle("wanted", lost || (b.dataset.hands === wanted && (wanted === "throttle open" || r.speed_rpm > 3000)));
  }
  by("arm").classList.toggle("wanted", there && now === "rest" && r.fault === "none" && (run === null || by("after").hidden));
}

// one that cannot be pressed now says so and stays in the tab order: whoever stands on it does not lose the place
const enable = (id, can) => allow(by(id), can);

// --- curves ---

function others() {
  const lines = [];
  const from = run ?? keptRun;
  const add = (o, key, stroke) => {
    if (o) lines.push({ name: say(key, { run: o.run }), stroke, x: o.curve.speed_rpm, y: o.curve.power_W.map(power) });
  };
  if (run) {
    if (run.best && run.best.run !== run.last?.run) add(run.best, "line_best", STROKES.best);
    add(run.last, "line_last", STROKES.last);
  } else if (from) {
    const best = from.is_best ? null : from.best;
    add(best, "line_best", STROKES.best);
    add({ run: from.run, curve: from.curve }, from.is_best ? "line_best" : "line_last", from.is_best ? STROKES.best : STROKES.last);
  }
  return lines;
}

let keptRun = null; // the newest run, once its panel is closed

function drawCurves() {
  const lines = others();
  const axes = { x: say("axis_speed"), y: say("axis_power", { unit: unit().power }) };
  if (run) {
    const c = run.curve, y = c.power_W.map(power);
    const half = c.power_half_W.map(power);
    lines.push({ name: say("line_this", { run: run.run }), stroke: STROKES.this, x: c.speed_rpm, y,
      low: y.map((v, i) => (half[i] === null ? null : v - half[i])), high: y.map((v, i) => (half[i] === null ? null : v + half[i])) });
    put("curve-title", say("chart_power_last", { run: run.run }));
    curve.show(lines, axes, say("chart_power"), unit().power);
  } else {
    const top = Math.max(sweep.x.length ? sweep.x[0] : 0, ...lines.flatMap((l) => l.x), 0);
    lines.push({ name: say("line_now"), stroke: STROKES.this, x: sweep.x, y: sweep.y });
    const low = latest?.sweep?.end_rpm ? latest.sweep.end_rpm - 500 : null;
    const fixed = top && low !== null ? { x: [low, Math.max(top + 300, low + 2000)] } : {};
    put("curve-title", say("chart_power"));
    curve.show(lines, axes, say("chart_power"), unit().power, fixed);
  }
  const length = (latest?.sweep?.length_s ?? 10) + 4;
  track.show([
    { name: say("line_set"), stroke: STROKES.set, x: sweep.time, y: sweep.set },
    { name: say("line_true"), stroke: STROKES.this, x: sweep.time, y: sweep.speed },
  ], { x: say("axis_time"), y: say("rpm") }, say("chart_speed"), say("rpm"), sweep.time.length ? { x: [0, Math.max(length, sweep.time.at(-1) + 5)] } : {});
}

function grow() {
  if (sweep.fresh || run) { sweep.fresh = false; if (!run) drawCurves(); else track.draw(); return; }
  if (curve.lines.at(-1)?.x === sweep.x) curve.grow();
  if (track.lines.length === 2) {
    const outside = sweep.time.at(-1) > (track.fixed.x?.[1] ?? 0);
    if (outside) drawCurves(); else { track.grow(0); track.grow(1); }
  }
}

export function redrawLive() {
  if (!curve) return;
  for (const key of Object.keys(drawn)) delete drawn[key];
  sweep.y = sweep.watts.map(power);
  render();
  if (run) afterRun();
  drawCurves();
}

// --- after a run ---

async function loadRun(which) {
  shownRun = which;
  try {
    const got = which === null ? await get("newest") : await get("run", { run: which });
    if (got.run === undefined) { drawCurves(); return; }
    keptRun = got;
    run = which === null ? null : got;
  } catch (error) {
    showMessage(say("failed", { error: error.message }), true);
    return;
  }
  if (run) afterRun();
  drawCurves();
}

function showAfter(yes) {
  by("after").hidden = !yes;
  by("live").classList.toggle("with-run", yes);
}

function afterRun() {
  showAfter(true);
  put("after-line", runLine(run));
  put("after-banner", run.banner);
  by("after-banner").hidden = !run.banner;
  // each warning once: what the run before carried too is folded away
  const before = run.repeated_warnings, fresh = run.warnings.filter((w) => !before.includes(w));
  const folded = before.length ? h("details", { class: "more" }, h("summary", { text: say("after_warned", { count: before.length }) }), list(before)) : null;
  by("after").classList.toggle("brief", fresh.length < 3);
  by("after-warnings").replaceChildren(...[list(fresh), folded].filter(Boolean));
  by("keep").firstElementChild.textContent = say(run.excluded === null ? "keep" : "next");
  by("exclude").firstElementChild.textContent = say(run.excluded === null ? "exclude" : "include");
}

export function runLine(r) {
  const peak = r.peak_power;
  const words = [peak.value === null ? say("after_no_peak", { run: r.run }) : say("after_run", {
    run: r.run, peak: plusMinus(power(peak.value), power(peak.half_width), unit().power), at: number(peak.speed_rpm) })];
  if (r.last && r.last.change !== null) words.push(say("after_last", { run: r.last.run, change: signed(100 * r.last.change, 1) }));
  if (r.best && !r.is_best && r.best.run !== r.last?.run) words.push(say("after_best", { run: r.best.run, change: signed(100 * r.best.change, 1) }));
  if (r.left_out && r.excluded === null) words.push(say("after_left_out", { why: r.left_out }));
  else if (!r.best) words.push(say("after_first"));
  else if (r.is_best) words.push(say("after_is_best"));
  words.push(say(r.reason_text ? "after_reason" : "after_verdict", { verdict: r.verdict_text, reason: r.reason_text }));
  if (r.excluded !== null) words.push(say("after_excluded", { reason: r.excluded }));
  return words.join("  ·  ");
}

async function again() {
  const number = run.run;
  run = keptRun = await get("run", { run: number });
  afterRun();
  drawCurves();
}

// on to the next run; one that was excluded stays so
function keep() {
  if (!run) return;
  const inside = by("after").contains(document.activeElement);
  run = null;
  showAfter(false);
  drawCurves();
  if (inside) by("arm").focus();
}

async function exclude() {
  if (!run) return;
  if (run.excluded !== null) {
    await runAction("include", { run: run.run }, say("done_include", { run: run.run }));
  } else {
    const reason = await ask(say("ask_exclude", { run: run.run }));
    if (reason === null) return;
    await runAction("exclude", { run: run.run, reason }, say("done_exclude", { run: run.run }));
  }
  await again();
}

async function remark(name, question, field, done) {
  if (!run) return;
  const text = await ask(say(question, { run: run.run }));
  if (text === null) return;
  await runAction(name, { run: run.run, [field]: text }, say(done));
  await again();
}
