// Words with values put in, numbers as people read them, units at the edge.
import { words, sentences, language } from "./words.js";

export const units = {
  us: { power: "hp", torque: "lb-ft", W: 745.6998715822702, Nm: 1.3558179483314004 },
  si: { power: "kW", torque: "N·m", W: 1000, Nm: 1 },
};
let chosen = "us";
let texts = {};
const formats = []; // one for each number of decimals: making one costs more than using it

export function useUnits(name) { chosen = units[name] ? name : "us"; }
export function unitsNow() { return chosen; }
export function unit() { return units[chosen]; }
export function useTexts(from) { texts = from; }

export function say(key, values = {}) {
  const text = words[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (_, name) => String(values[name] ?? ""));
}

// the host's sentence for a code, unless the words file has one
export function sentence(table, name) {
  return sentences[table]?.[name] ?? texts[table]?.[name] ?? name;
}

export function number(value, decimals = 0) {
  if (value === null || value === undefined || Number.isNaN(value)) return words.no_value;
  const shown = Math.abs(value) < 0.5 * 10 ** -decimals ? 0 : value;
  formats[decimals] ??= new Intl.NumberFormat(language, { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
  return formats[decimals].format(shown);
}

export function signed(value, decimals) {
  if (value === null || value === undefined) return words.no_value;
  const text = number(Math.abs(value), decimals);
  const zero = Math.abs(value) < 0.5 * 10 ** -decimals;
  return (zero ? "±" : value < 0 ? "−" : "+") + text;
}

export function power(watts) { return watts === null || watts === undefined ? null : watts / unit().W; }
export function torque(newtonMetres) { return newtonMetres === null || newtonMetres === undefined ? null : newtonMetres / unit().Nm; }

// two significant digits of the half-width
export function plusMinus(value, half, unitName) {
  if (value === null || value === undefined) return words.no_value;
  if (half === null || half === undefined || !(half > 0)) return say("plus_unknown", { value: number(value, 2), unit: unitName });
  const decimals = Math.min(3, Math.max(0, 1 - Math.floor(Math.log10(half))));
  return say("plus_minus", { value: number(value, decimals), half: number(half, decimals), unit: unitName });
}

export function pressure(pascal) {
  return chosen === "us" ? `${number(pascal / 3386.389, 2)} inHg` : `${number(pascal / 100, 0)} hPa`;
}

export function temperature(kelvin) {
  const celsius = kelvin - 273.15;
  return chosen === "us" ? `${number(celsius * 1.8 + 32, 0)} °F` : `${number(celsius, 1)} °C`;
}

export function when(unixSeconds) {
  if (!unixSeconds) return words.no_value;
  const d = new Date(unixSeconds * 1000);
  const two = (n) => String(n).padStart(2, "0");
  return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())} ${two(d.getHours())}:${two(d.getMinutes())}`;
}

// when a run began; when it was fetched, where nobody knows that
export function began(run) {
  return run.clock === "unknown" ? say("fetched_at", { when: when(run.pulled_unix_s) }) : when(run.started_unix_s);
}

// every element with data-word gets its words, with data-label its spoken name
export function label(root = document) {
  document.documentElement.lang = language;
  for (const e of root.querySelectorAll("[data-word]")) e.textContent = say(e.dataset.word);
  for (const e of root.querySelectorAll("[data-label]")) e.setAttribute("aria-label", say(e.dataset.label));
  for (const e of root.querySelectorAll("button[data-key]")) {
    if (!e.querySelector("kbd")) {
      const key = document.createElement("kbd");
      key.textContent = e.dataset.key;
      key.setAttribute("aria-hidden", "true");
      e.append(key);
      if (e.dataset.key.length === 1) e.setAttribute("aria-keyshortcuts", e.dataset.key);
    }
  }
}
