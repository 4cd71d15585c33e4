// Set up: the first start part by part, calibration with weights, air, engine, drive, settings.
import { number, say, signed, temperature, pressure, when } from "./lang.js";
import { get } from "./net.js";
import { runAction, showMessage } from "./talk.js";
import { allow, button, choice, field, h, input, list, table, viewsOf } from "./parts.js";
import { currentState, situation, onState } from "./live.js";

const VIEWS = { first, weights, check, air, engine, drive, valve, settings };
const state = { view: "first", group: "drive", mass: "0 kg", arm: "250 mm", arm_u: "0.3 mm", weights_u: "0.1 %", note: "", checkMass: "5 kg", checkZero: null,
  inertiaRuns: "", scatter: "0.3", inertiaLabel: "", dragRun: "", dragInertia: "", dragInertiaU: "", dragLabel: "", seenButton: false, seenShaft: false, seenLoad: false, loadAt: null };
const { draw, show } = viewsOf("setup", VIEWS, state);
export const open = show;

const go = (view) => () => { state.view = view; draw(); };

function form(fields, word, submit) {
  return h("form", { class: "finder", "aria-label": say(word), onsubmit: async (e) => { e.preventDefault(); await submit(); } }, ...fields,
    h("button", { type: "submit", class: "wanted", text: say(word) }));
}

function kept(key, props = {}) {
  const one = input({ value: state[key], ...props, oninput: () => { state[key] = one.value; } });
  return one;
}

// --- first start ---

async function first(body) {
  const s = await get("setup"), latest = currentState(), r = latest?.reading;
  const there = Boolean(latest?.connected);
  const teeth = s.drive && s.board_teeth ? s.drive.engine_teeth === s.board_teeth[0] && s.drive.brake_teeth === s.board_teeth[1] : null;
  const steps = [
    ["board", there, there ? say("step_board_done", { uid: latest.board.uid, firmware: latest.board.firmware }) : latest?.sentence ?? "", null],
    ["clock", there && r.flags.includes("clock_set"), "", there ? button("set_clock", act("clock")) : null],
    ["test", s.self_test !== null && !s.self_test.some((t) => t.result === "fail"), "", there ? button("self_test", selfTest) : null],
    ["prompts", state.seenButton && state.seenShaft && state.seenLoad, "", null],
    ["drive", s.drive !== null && teeth !== false, teeth === false ? say("step_drive_differs", { board: s.board_teeth.join(" : "), drive: `${s.drive.engine_teeth} : ${s.drive.brake_teeth}` }) : "", button("setup_drive", go("drive"))],
    ["calibration", s.calibration !== null, s.calibration?.made_unix_s ? when(s.calibration.made_unix_s) : "", button("setup_weights", go("weights"))],
    ["air", s.air !== null || (there && r.flags.includes("air_ok")), "", button("setup_air", go("air"))],
    ["engine", s.build !== null, s.build ? `${s.build.engine}, ${s.build.build}` : "", button("setup_engine", go("engine"))],
    ["inertia", s.drive !== null && s.drive.inertia_kg_m2 > 0, "", button("setup_drive", go("drive"))],
  ];
  const next = steps.findIndex(([, done]) => !done);
  body.append(h("p", { class: "verdict-line", text: next < 0 ? say("first_done") : say("first_next", { step: say(`step_${steps[next][0]}`) }) }));
  body.append(h("ol", { class: "steps" }, ...steps.map(([name, done, more, action], i) =>
    h("li", { class: done ? "done" : i === next ? "next" : "" },
      h("span", { class: "mark", text: say(done ? "step_is_done" : "step_to_do") }),
      h("div", {}, h("strong", { text: say(`step_${name}`) }), " ", h("span", { text: more || say(`help_${name}`) }),
        name === "prompts" ? prompts() : "", name === "test" && s.self_test ? testTable(s.self_test) : ""),
      action ?? ""))));
}

const act = (name) => async () => { await runAction(name, {}, say("done")); draw(); };

async function selfTest() {
  showMessage(say("self_test_runs"));
  if (await runAction("self-test", {}, say("done")) && state.view === "first") draw();
}

function testTable(rows) {
  return table(say("self_test_result"), ["col_part", "col_result", "col_reading", "col_do"].map((k) => say(k)),
    rows.map((t) => [t.part, t.result_text, t.reading, t.advice]));
}

// live prompts: each turns to "seen" by itself
function prompts() {
  const lines = ["Button", "Shaft", "Load"].map((name) => [name, h("li", {}, h("span", { role: "status" }), h("span", { class: "num now" }))]);
  const values = { Button: "", Shaft: "", Load: "" };
  let all = state.seenButton && state.seenShaft && state.seenLoad;
  const show = () => {
    if (!all && state.seenButton && state.seenShaft && state.seenLoad) { all = true; draw(); return; }
    for (const [name, li] of lines) {
      const text = `${say(`prompt_${name}`)} ${say(state[`seen${name}`] ? "prompt_seen" : "prompt_wait")}`;
      if (li.firstChild.textContent !== text) li.firstChild.textContent = text;
      li.lastChild.textContent = values[name];
      li.classList.toggle("done", state[`seen${name}`]);
    }
  };
  let asking = false, first = null;
  // the board counts presses and edges: a shaft turned by hand is too slow for a speed
  const count = async () => {
    if (asking) return;
    asking = true;
    const now = await get("counters").catch(() => ({}));
    first ??= now;
    state.seenButton ||= now.presses_seen > first.presses_seen;
    state.seenShaft ||= now.edges_seen > first.edges_seen;
    setTimeout(() => { asking = false; }, 400);
  };
  onState((latest) => {
    const r = latest.reading;
    if (!r || !latest.connected) return;
    state.seenButton ||= r.flags.includes("button");
    if (["rest", "ready"].includes(r.state)) count();
    state.seenShaft ||= r.speed_rpm > 0 || r.flags.includes("speed_ok");
    Object.assign(values, { Button: "", Shaft: `${number(r.speed_rpm)} ${say("rpm")}`, Load: say("counts", { count: number(r.load_count) }) });
    state.loadAt ??= r.load_count;
    state.seenLoad ||= Math.abs(r.load_count - state.loadAt) > 20000;
    show();
  });
  show();
  return h("ul", { class: "lines" }, ...lines.map(([, li]) => li));
}

// --- weights ---

async function weights(body) {
  const w = await get("weights");
  body.append(h("p", { text: say("weights_how") }));
  body.append(form([field("weight_mass", kept("mass", { id: "mass" }))], "weight_read", async () => {
    showMessage(say("weight_reading"));
    const got = await runAction("weigh", { mass: state.mass }, (g) => (g.why ? "" : say("weight_read_done", { count: number(g.count) })));
    if (got) draw("#mass");
  }));
  if (w.pending) {
    body.append(h("div", { class: "box", role: "alert" }, h("p", { text: say("weight_asked", { mass: number(w.pending.mass_kg, 3), why: w.pending.why }) }),
      h("div", { class: "row" }, button("weight_leave", act("weigh-undo")), button("weight_keep", act("weigh-keep")))));
  }
  const f = w.fit;
  body.append(table(say("weights_title"), ["col_mass", "col_reads", "col_way", "col_off"].map((k) => say(k)), w.weights.map((r, i) => [
    `${number(r.mass_kg, 3)} kg`, number(r.count), f ? say(f.up[i] ? "way_up" : "way_down") : "", f ? `${signed(f.residual_N[i], 3)} N` : ""])));
  body.append(h("div", { class: "row" },
    button("weight_undo", act("weigh-undo"), { "aria-disabled": String(!w.weights.length) }), button("weight_anew", act("weigh-anew"), { "aria-disabled": String(!w.weights.length) })));
  if (w.why) body.append(h("p", { class: "empty", text: w.why }));
  if (!f) return;
  body.append(h("p", { class: "verdict-line", text: say("fit_line", { span: number(f.span_count_per_N, 2), half: number(100 * f.span_half, 2),
    linearity: number(100 * f.linearity, 3), hysteresis: number(100 * f.hysteresis, 3) }) }));
  body.append(list([f.implausible, ...f.notes].filter(Boolean)) ?? "");
  body.append(form([field("arm_length", kept("arm")), field("arm_length_u", kept("arm_u")), field("weights_u", kept("weights_u")), field("col_note", kept("note"))], "calibrate_keep", async () => {
    const got = await runAction("calibrate", { arm: state.arm, arm_u: state.arm_u, weights_u: state.weights_u, note: state.note },
      (g) => say("calibrate_done", { number: g.number }));
    if (!got) return;
    await runAction("settings", { values: { span: got.span, arm_length: got.arm_length } }, say("calibrate_board"));
    draw();
  }));
}

// --- check weight ---

async function check(body) {
  body.append(h("p", { text: say("check_how") }));
  body.append(h("ol", { class: "steps" },
    h("li", { class: state.checkZero === null ? "next" : "done" }, h("span", { class: "mark", text: say(state.checkZero === null ? "step_to_do" : "step_is_done") }),
      h("div", { text: say("check_off") }),
      button("check_read_off", async () => { const g = await runAction("check-off", {}, say("done")); if (g) { state.checkZero = g.count; draw("#check-mass"); } })),
    h("li", { class: state.checkZero === null ? "" : "next" }, h("span", { class: "mark", text: say("step_to_do") }),
      field("weight_mass", kept("checkMass", { id: "check-mass" })),
      button("check_read_on", async () => {
        const g = await runAction("check-on", { mass: state.checkMass }, (got) => [say("check_done", { error: signed(100 * got.error, 2) }), ...got.notes].join(" "));
        if (g) { state.checkZero = null; draw(); }
      }, { "aria-disabled": String(state.checkZero === null) }))));
}

// --- air, engine, drive ---

async function air(body) {
  const s = await get("setup"), fromBoard = currentState()?.reading?.flags.includes("air_ok");
  const now = s.air ? say("air_typed", { pressure: pressure(s.air.pressure_Pa), temperature: temperature(s.air.temperature_K), humidity: number(100 * s.air.relative_humidity), when: when(s.air_since) })
    : say(fromBoard ? "air_board" : "air_nobody");
  body.append(h("p", { class: "verdict-line", text: now }), h("p", { text: say("air_how") }));
  const p = input({ placeholder: say("air_pressure_sample") }), t = input({ placeholder: say("air_temperature_sample") }), u = input({ placeholder: say("air_humidity_sample") });
  body.append(form([field("air_pressure", p), field("air_temperature", t), field("air_humidity", u)], "air_file", async () => {
    if (await runAction("air", { pressure: p.value, temperature: t.value, humidity: u.value }, (g) => g.said)) draw();
  }));
  if (s.air) body.append(button("air_use_board", async () => { await runAction("air", { board: true }, say("done")); draw(); }));
  const standard = choice(s.standards.map((x) => [x.name, x.title]), s.standard, async (v) => { await runAction("air", { board: !s.air, ...(s.air ? typedAir(s.air) : {}), standard: v }, say("done")); draw(); });
  body.append(h("div", { class: "finder" }, field("air_standard", standard)));
}

function typedAir(a) {
  return { pressure: `${a.pressure_Pa} Pa`, temperature: `${a.temperature_K} K`, humidity: `${100 * a.relative_humidity} %` };
}

async function engine(body) {
  const s = await get("setup");
  body.append(h("p", { class: "verdict-line", text: s.build ? say("engine_now", s.build) : say("engine_none") }), h("p", { text: say("engine_how") }));
  const e = input({ value: s.build?.engine ?? "", list: "engines", required: true }), b = input({ value: s.build?.build ?? "" }), c = input(), by = input();
  body.append(h("datalist", { id: "engines" }, ...s.engines.map((x) => h("option", { value: x.name }))));
  body.append(form([field("col_engine", e), field("col_build", b), field("engine_changed", c), field("engine_by", by)], "engine_file", async () => {
    const got = await runAction("engine", { engine: e.value, build: b.value, changed: c.value, by: by.value }, (g) => say("engine_now", g.filed));
    if (got) draw();
  }));
}

async function drive(body) {
  const s = await get("setup"), d = s.drive, teeth = s.board_teeth ?? [10, 10];
  if (d) body.append(h("p", { class: "verdict-line", text: say("drive_now", { engine: d.engine_teeth, brake: d.brake_teeth, magnets: d.magnets, inertia: d.inertia_kg_m2 ? `${number(1000 * d.inertia_kg_m2, 3)} ± ${number(1960 * d.inertia_u_kg_m2, 3)} g·m²` : say("not_known") }) }));
  body.append(h("p", { text: say("drive_how") }));
  const label = input({ value: "bench", required: true });
  const num = (value, props = {}) => input({ type: "number", value, inputmode: "decimal", ...props });
  const et = num(teeth[0], { min: 1, max: 200 }), bt = num(teeth[1], { min: 1, max: 200 }), mag = num(d?.magnets ?? 1, { min: 1, max: 16 });
  const j = num(d?.inertia_kg_m2 ? 1000 * d.inertia_kg_m2 : "", { step: "any", min: 0 }), ju = num(d?.inertia_u_kg_m2 ? 1000 * d.inertia_u_kg_m2 : "", { step: "any", min: 0 });
  body.append(form([field("drive_label", label), field("drive_engine", et), field("drive_brake", bt), field("drive_magnets", mag), field("drive_inertia", j), field("drive_inertia_u", ju)], "drive_file", async () => {
    const values = { label: label.value, engine_teeth: Number(et.value), brake_teeth: Number(bt.value), magnets: Number(mag.value) };
    if (j.value !== "") { values.inertia_kg_m2 = Number(j.value) / 1000; values.inertia_u_kg_m2 = Number(ju.value || 0) / 1000; }
    const done = await runAction("drive", values, say("done"));
    const differ = done && s.board_teeth && (values.engine_teeth !== s.board_teeth[0] || values.brake_teeth !== s.board_teeth[1]);
    if (differ) await runAction("settings", { values: { engine_teeth: values.engine_teeth, brake_teeth: values.brake_teeth } }, say("drive_board"));
    if (done) draw();
  }));
  await fromRuns(body);
}

// what runs tell of the drive: inertia from two sweep times, drag from a coast-down
async function fromRuns(body) {
  const { names } = await get("setups");
  const keep = (key) => choice([["", say("keep_nowhere")], ...names.map((n) => [n, n])], state[key], (v) => { state[key] = v; });
  const said = (id) => h("div", { id, role: "status" });
  const inertiaSaid = said("inertia-said"), dragSaid = said("drag-said");
  body.append(h("h2", { text: say("inertia_title") }), h("p", { text: say("inertia_how") }),
    form([field("inertia_runs", kept("inertiaRuns", { placeholder: say("runs_sample"), required: true })), field("inertia_scatter", kept("scatter", { inputmode: "decimal" })), field("keep_in", keep("inertiaLabel"))], "inertia_do", async () => {
      const got = await runAction("inertia", { runs: state.inertiaRuns, scatter: state.scatter, label: state.inertiaLabel }, (g) => say(g.kept ? "kept_in" : "done", { label: g.kept }));
      if (got) inertiaSaid.replaceChildren(h("p", { class: "verdict-line", text: got.sentence }), list(got.notes) ?? "");
    }), inertiaSaid,
    h("h2", { text: say("drag_title") }), h("p", { text: say("drag_how") }), h("p", { class: "caution", text: say("drag_caution") }),
    form([field("drag_run", kept("dragRun", { inputmode: "numeric", required: true })), field("drag_inertia", kept("dragInertia", { inputmode: "decimal", required: true })),
      field("drag_inertia_u", kept("dragInertiaU", { inputmode: "decimal", required: true })), field("keep_in", keep("dragLabel"))], "drag_do", async () => {
      const got = await runAction("drag", { run: state.dragRun, inertia: state.dragInertia, inertia_u: state.dragInertiaU, label: state.dragLabel }, (g) => say(g.kept ? "kept_in" : "done", { label: g.kept }));
      if (got) dragSaid.replaceChildren(h("p", { class: "verdict-line", text: got.sentence }), list(got.notes) ?? "", dragTable(got.rows));
    }), dragSaid);
}

function dragTable(rows) {
  const columns = ["col_brake_speed", "col_drag", "col_felt", "col_not_felt", "col_half"].map((k) => say(k));
  return table(say("drag_title"), columns, [...rows].reverse().map((r) => [number(r.speed_rpm), ...[r.total_Nm, r.felt_Nm, r.loss_Nm, r.loss_half_Nm].map((v) => number(v, 4))]));
}

// --- valve: the board measures it in place of a sweep; the person's throttle begins ---

async function valve(body) {
  const now = h("p", { class: "verdict-line", role: "status" });
  const arm = button("arm", () => runAction("arm"), { id: "valve-arm" });
  const measure = button("valve_do", () => runAction("measure-valve", {}, say("valve_is_next")), { id: "valve-do", class: "wanted" });
  body.append(h("p", { text: say("valve_how") }), list(["valve_caution_clear", "valve_caution_kill", "valve_caution_time", "valve_caution_limits"].map((k) => say(k)), "lines caution"),
    now, h("ol", { class: "steps" }, ...[["valve_step_arm", arm], ["valve_step_do", measure], ["valve_step_throttle", null], ["valve_step_shut", null]].map(([word, action]) =>
      h("li", {}, h("div", { text: say(word) }), action ?? ""))));
  const show = (latest) => {
    const r = latest?.connected ? latest.reading : null;
    const words = !r ? say("state_no_board") : r.state === "ready" && latest.valve_next ? say("valve_armed") : say(`state_${situation()}`);
    if (now.textContent !== words) now.textContent = words;
    allow(arm, r?.state === "rest" && r.fault === "none");
    allow(measure, r?.state === "ready" && !latest.valve_next);
  };
  onState(show);
  show(currentState());
}

// --- settings ---

async function settings(body) {
  const { settings: all } = await get("board-settings");
  const groups = [...new Set(all.map((x) => x.group))];
  if (!groups.includes(state.group)) state.group = groups[0];
  body.append(h("div", { class: "finder" }, field("settings_group", choice(groups.map((g) => [g, g]), state.group, (v) => { state.group = v; draw(".finder select"); }))));
  body.append(h("p", { text: say("settings_how") }));
  const columns = ["col_setting", "col_value", "col_bounds", "col_default", "col_meaning"].map((k) => say(k));
  body.append(table(say("settings_title", { group: state.group }), columns, all.filter((x) => x.group === state.group).map((x) => {
    const value = input({ value: x.shown, "aria-label": x.name });
    const set = button("settings_set", async () => {
      if (await runAction("settings", { values: { [x.name]: value.value } }, say(x.at_start ? "settings_restart" : "settings_done", { name: x.name }))) draw();
    });
    const bounds = x.names?.length ? x.names.join(", ") : x.low === undefined ? "" : say(x.pin ? "bounds_pin" : "bounds", { low: x.low, high: x.high });
    return [x.name, h("span", { class: "row" }, value, set), bounds, x.default ?? "", [x.meaning, x.at_start ? say("at_start") : "", x.caution].filter(Boolean).join(" ")];
  })));
  body.append(h("div", { class: "row" }, button("restart_board", act("restart"))));
}
