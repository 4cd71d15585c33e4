// What the page says to the person, and asks: one line at the foot, one dialog.
import { say } from "./lang.js";
import { tell } from "./net.js";

const by = (id) => document.getElementById(id);
let timer = 0;

export function tellPerson(text, bad = false) {
  clearTimeout(timer);
  by("said").textContent = text;
  by("said").classList.toggle("bad", bad);
  timer = setTimeout(() => { by("said").textContent = ""; }, bad ? 15000 : 7000);
}

// does it and says what came of it; undefined when it failed
export async function doIt(name, body = {}, words = null) {
  try {
    const got = await tell(name, body);
    if (words) tellPerson(typeof words === "function" ? words(got) : words);
    return got;
  } catch (error) {
    tellPerson(say("failed", { error: error.message }), true);
    return undefined;
  }
}

// a text from the person, or null
export function ask(question, value = "") {
  const dialog = by("dialog"), input = by("dialog-input");
  by("dialog-label").textContent = question;
  input.value = value;
  dialog.returnValue = "no";
  dialog.showModal();
  input.focus();
  return new Promise((resolve) => {
    dialog.onclose = () => resolve(dialog.returnValue === "yes" && input.value.trim() ? input.value.trim() : null);
  });
}
