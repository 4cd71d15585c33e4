// The frame around the three parts: which one shows, keys, units, tones, and the stream of readings.
import { label, say, useTexts, useUnits, unitsNow } from "./lang.js";
import { get } from "./net.js";
import { useStrokes } from "./chart.js";
import { switchTones, tonesOn, tonesReady, wakeTones } from "./tones.js";
import { startLive, showState, programEnded, redrawLive } from "./live.js";
import { showMessage } from "./talk.js";

const parts = { live: null, library: "./library.js", setup: "./setup.js", session: "./session.js" };
const loaded = {};
const by = (id) => document.getElementById(id);

function remembered(name, otherwise) {
  try { return localStorage.getItem(name) ?? otherwise; } catch { return otherwise; }
}
function remember(name, value) {
  try { localStorage.setItem(name, value); } catch { /* a private window forgets */ }
}

export async function showPart(name) {
  document.body.dataset.part = name;
  for (const part of Object.keys(parts)) by(part).hidden = part !== name;
  for (const b of document.querySelectorAll(".tabs button")) {
    if (b.dataset.part === name) b.setAttribute("aria-current", "page"); else b.removeAttribute("aria-current");
  }
  if (parts[name] && !loaded[name]) loaded[name] = await import(parts[name]);
  if (loaded[name]) await loaded[name].open(by(name));
  if (name === "live") redrawLive();
}

function unitsButton() {
  by("units").textContent = say(`units_${unitsNow()}`);
  by("units").setAttribute("aria-label", say("units_label", { now: say(`units_${unitsNow()}`) }));
}

function soundButton() {
  const key = !tonesOn() ? "sound_off" : tonesReady() ? "sound_on" : "sound_locked";
  by("sound").firstChild?.nodeType === 3 ? (by("sound").firstChild.data = say(key)) : by("sound").prepend(say(key));
  by("sound").setAttribute("aria-pressed", String(tonesOn()));
}

function changeUnits() {
  useUnits(unitsNow() === "us" ? "si" : "us");
  remember("units", unitsNow());
  unitsButton();
  redrawLive();
  const part = document.body.dataset.part;
  loaded[part]?.open(by(part));
}

function changeSound() {
  if (tonesOn() && !tonesReady()) { wakeTones(); setTimeout(soundButton, 100); return; }
  switchTones(!tonesOn());
  remember("tones", tonesOn() ? "on" : "off");
  soundButton();
}

function keys(event) {
  wakeTones();
  soundButton();
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  const writing = event.target.closest("input:not([type=checkbox]), textarea, select, dialog[open]");
  if (event.key === "Escape" && !document.querySelector("dialog[open]")) { (document.body.dataset.part === "live" ? by("stop") : by("stop-head")).click(); return; }
  if (writing) return;
  const key = event.key === "?" ? "?" : event.key.toUpperCase();
  if (key === "U") { by("units").click(); return; }
  const button = [...document.querySelectorAll("button[data-key]")].find((b) =>
    b.dataset.key === key && b.getAttribute("aria-disabled") !== "true" && b.offsetParent !== null);
  if (button) { event.preventDefault(); button.click(); }
}

function listen() {
  const stream = new EventSource("/events");
  let lastHeard = performance.now();
  stream.onmessage = (event) => {
    lastHeard = performance.now();
    showState(JSON.parse(event.data));
  };
  // the stream says something at least once a second
  setInterval(() => { if (performance.now() - lastHeard > 4000) programEnded(); }, 500);
  stream.onerror = () => {
    if (stream.readyState === EventSource.CLOSED) setTimeout(listen, 2000);
  };
}

async function begin() {
  label();
  document.title = say("name");
  document.addEventListener("keydown", keys);
  document.addEventListener("click", (event) => {
    if (event.target.closest?.("[aria-disabled=true]")) { event.stopPropagation(); event.preventDefault(); }
  }, true);
  document.addEventListener("pointerdown", () => { wakeTones(); soundButton(); });
  window.addEventListener("beforeprint", () => { for (const d of document.querySelectorAll("#after details")) d.open = true; }); // nothing is folded on paper
  for (const b of document.querySelectorAll(".tabs button")) b.onclick = () => showPart(b.dataset.part);
  by("units").onclick = changeUnits;
  by("sound").onclick = changeSound;
  by("keys").onclick = () => showMessage(say("keys_help"));
  let start = { texts: {}, units: "us", practice: false };
  try { start = await get("start"); } catch (error) { showMessage(say("failed", { error: error.message }), true); }
  useTexts(start.texts);
  useStrokes(start.strokes ?? []);
  useUnits(remembered("units", start.units));
  switchTones(remembered("tones", "on") === "on");
  unitsButton();
  soundButton();
  startLive(start);
  await showPart(document.body.dataset.part); // a quick key may have chosen one already
  listen();
}

begin();
