// Small makers of elements, so that the parts read like a form.
import { say } from "./lang.js";

export function h(tag, props = {}, ...children) {
  const e = document.createElement(tag);
  for (const [k, v] of Object.entries(props)) {
    if (v === null || v === undefined || v === false) continue;
    if (k.startsWith("on")) e[k] = v;
    else if (k === "text") e.textContent = v;
    else if (k === "value") e.value = v;
    else if (v === true) e.setAttribute(k, "");
    else e.setAttribute(k, v);
  }
  e.append(...children.flat().filter((c) => c !== null && c !== undefined));
  return e;
}

export function button(word, onclick, props = {}) {
  return h("button", { type: "button", onclick, text: say(word), ...props });
}

// a button that cannot be pressed now says so and stays in the tab order
export function allow(e, can) {
  const off = can ? "false" : "true";
  if (e.getAttribute("aria-disabled") !== off) e.setAttribute("aria-disabled", off);
}

export function field(word, control, text = say(word)) {
  return h("label", { class: "field" }, h("span", { text }), control);
}

export function choice(options, value, onchange) {
  const s = h("select", { onchange: () => onchange(s.value) }, ...options.map(([v, text]) => h("option", { value: v, text })));
  s.value = value;
  return s;
}

export function input(props = {}) {
  return h("input", { autocomplete: "off", ...props });
}

// a table whose cells know their column's name, so that a narrow window can stack them
export function table(caption, columns, rows) {
  const head = h("tr", {}, ...columns.map((c) => h("th", { scope: "col", text: c })));
  const body = rows.map((cells) => h("tr", {}, ...cells.map((c, i) =>
    h("td", { "data-column": columns[i] }, c instanceof Node ? c : document.createTextNode(c ?? "")))));
  const empty = rows.length ? null : h("p", { class: "empty", text: say("none_yet") });
  return h("div", { class: "scroll" }, h("table", {}, h("caption", { text: caption }), h("thead", {}, head), h("tbody", {}, ...body)), empty);
}

export function list(lines, cls = "lines") {
  return lines.length ? h("ul", { class: cls }, ...lines.map((text) => h("li", { text }))) : null;
}

export function figure(title) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("class", "chart");
  svg.setAttribute("aria-label", title); // until it is drawn and says its figures
  return { svg, box: h("figure", { class: "tall", "aria-label": title }, h("figcaption", { text: title }), svg) };
}

// what a redraw is to find again: the element that has the focus, by its id or by what it is called
function nameOf(e) {
  const label = e.getAttribute("aria-label") ?? (e.matches("button, summary") ? e.textContent : e.closest("label")?.textContent);
  return `${e.tagName} ${label ?? ""}`;
}

function keeper(home) {
  const at = document.activeElement;
  if (!home || !home.contains(at)) return () => {};
  const { id } = at, called = nameOf(at);
  const alike = (e) => nameOf(e) === called;
  const place = [...home.querySelectorAll(at.tagName)].filter(alike).indexOf(at);
  return () => {
    const all = [...home.querySelectorAll(at.tagName)].filter(alike);
    const found = (id && home.querySelector(`#${CSS.escape(id)}`)) || all[place] || all.at(-1) || home.querySelector("[aria-current]");
    found?.focus();
  };
}

// A part of several views: its tabs and the view of `state.view`.  `show(section)` puts it there, `draw` makes it
// anew; where two are under way only the later one is shown.
export function viewsOf(part, views, state) {
  let home = null;
  let newest = 0;
  async function draw(focus = null) {
    const mine = ++newest;
    const tabs = h("nav", { class: "subtabs", "aria-label": say(`part_${part}`) }, ...Object.keys(views).map((name) =>
      button(`${part}_${name}`, () => { state.view = name; draw(); }, name === state.view ? { "aria-current": "page" } : {})));
    const body = h("div", { class: "view" });
    try {
      await views[state.view](body);
    } catch (error) {
      body.append(h("p", { class: "empty", role: "alert", text: say("failed", { error: error.message }) }));
    }
    if (mine !== newest) return;
    const keep = keeper(home);
    home.replaceChildren(tabs, body);
    const wanted = focus && home.querySelector(focus);
    if (wanted) wanted.focus(); else keep();
  }
  return { draw, show: (section) => { home = section; return draw(); } };
}
