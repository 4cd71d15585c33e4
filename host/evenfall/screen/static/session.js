// The guided session: the steps of a before-and-after, one question at a time.
import { say, when } from "./lang.js";
import { get } from "./net.js";
import { runAction } from "./talk.js";
import { allow, button, field, h, input } from "./parts.js";
import { onState } from "./live.js";

const HEADING = /^\d+\/\d+ /;
let home = null;
let mark = -1;
let newest = 0;
let asked = -1;

export async function open(section) {
  home = section;
  onState((latest) => { if (latest.guided.version !== mark && !home.hidden) { mark = latest.guided.version; draw(); } });
  await draw();
}

async function draw() {
  const mine = ++newest;
  let parts;
  try {
    const got = await get("guided");
    parts = got.now && !got.now.ended ? underWay(got) : between(got);
  } catch (error) {
    parts = [h("p", { class: "empty", role: "alert", text: say("failed", { error: error.message }) })];
  }
  if (mine !== newest) return;
  const inside = home.contains(document.activeElement), typing = home.querySelector("#guided-answer");
  const fresh = parts.find((p) => p.matches?.(".question"))?.querySelector("#guided-answer");
  if (typing && fresh && typing.dataset.number === fresh.dataset.number) fresh.value = typing.value;
  home.replaceChildren(...parts);
  if (inside) (home.querySelector("#guided-answer, .question .wanted, .question button, button"))?.focus();
}

// nothing is under way: begin, or go on with the one that was left
function between({ now, open: left, steps }) {
  const start = (anew) => async () => { await runAction("guided-start", { anew }); draw(); };
  const told = left ? say("guided_left", { when: when(left.began_unix_s), step: say(`guided_${left.step}`) }) : say(now?.ended === "done" ? "guided_done" : "guided_none");
  return [
    h("h2", { text: say("part_session") }),
    h("p", { class: "verdict-line", text: told }),
    h("p", { text: say("guided_how") }), h("p", { text: say("guided_order") }),
    h("div", { class: "row" }, ...left
      ? [button("guided_go_on", start(false), { class: "wanted" }), button("guided_anew", start(true))]
      : [button("guided_begin", start(false), { class: "wanted" })],
    now?.page ? reportLink(now.page) : null),
    now?.lines.length ? transcript(say("guided_said"), now.lines) : null,
    h("ol", { class: "path" }, ...steps.map((name) => h("li", { text: say(`guided_${name}`) }))),
  ].filter(Boolean);
}

const reportLink = (page) => h("a", { class: "button", href: `/report/${encodeURIComponent(page)}`, target: "_blank", rel: "noopener", text: say("open_report") });

function underWay({ now, steps }) {
  if (!now.step) return [h("p", { class: "verdict-line", role: "status", text: say("working") })];
  const at = steps.indexOf(now.step), next = steps[at + 1];
  const from = Math.max(0, now.lines.findLastIndex((l) => HEADING.test(l)));
  return [
    h("h2", { text: say("part_session") }),
    h("p", { class: "verdict-line", role: "status" }, say("guided_at", { at: at + 1, of: steps.length, step: say(`guided_${now.step}`) }),
      h("small", { text: next ? say("guided_then", { step: say(`guided_${next}`) }) : "" })),
    question(now.question),
    transcript(say("guided_now"), now.lines.slice(from)),
    from > 0 ? h("details", { class: "more", "aria-label": say("guided_before_that") }, h("summary", { text: say("guided_before_that") }), lines(now.lines.slice(0, from))) : null,
    h("ol", { class: "path" }, ...steps.map((name, i) =>
      h("li", i === at ? { "aria-current": "step", text: say(`guided_${name}`) } : { class: i < at ? "done" : "", text: say(`guided_${name}`) }))),
    h("div", { class: "row" }, button("guided_leave", async () => { await runAction("guided-leave", {}, say("guided_is_left")); draw(); })),
  ].filter(Boolean);
}

const lines = (all) => h("ul", { class: "log" }, ...all.filter((l) => l.trim()).map((text) => h("li", { text: text.replace(HEADING, ""), class: text.startsWith("> ") ? "answer" : text.startsWith("!") ? "strong" : "" })));
const transcript = (name, all) => h("div", { role: "log", "aria-label": name }, lines(all));

// one question: choices as buttons, or a field
function question(q) {
  if (!q) return h("p", { class: "question", "aria-busy": "true", text: say("working") });
  // once: a second press would answer the question that comes next
  const answer = async (text) => {
    for (const b of home.querySelectorAll(".question button")) allow(b, false);
    if (!await runAction("guided-answer", { number: q.number, text })) draw();
  };
  const fresh = q.number !== asked;
  asked = q.number;
  const props = { class: "question", "aria-label": q.text, ...(fresh ? { "aria-live": "polite" } : {}) };
  if (q.options) {
    return h("div", { role: "group", ...props }, h("p", { text: q.text }), h("div", { class: "row" }, ...Object.entries(q.options).map(([name, text]) =>
      h("button", { type: "button", class: name === q.default ? "wanted" : "", onclick: () => answer(name), text }))));
  }
  const one = input({ id: "guided-answer", value: q.default, "data-number": String(q.number) });
  return h("form", { ...props, onsubmit: (e) => { e.preventDefault(); answer(one.value); } }, field(null, one, q.text),
    h("button", { type: "submit", class: "wanted", text: say("guided_next") }));
}
