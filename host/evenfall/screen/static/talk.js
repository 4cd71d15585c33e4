// What the page says to the person, and asks: one line at the foot, one dialog.
import { say } from "./lang.js";
import { post } from "./net.js";

const by = (id) => document.getElementById(id);
let timer = 0;

// what failed is read out at once; the rest waits for the reader's pause
export function showMessage(text, bad = false) {
  clearTimeout(timer);
  by("said").textContent = bad ? "" : text;
  by("said-bad").textContent = bad ? text : "";
  if (text) document.activeElement?.scrollIntoView({ block: "nearest" }); // it is not to lie over what has the focus
  timer = text ? setTimeout(() => showMessage(""), bad ? 15000 : 7000) : 0;
}

// does it and says what came of it; undefined when it failed
export async function runAction(name, body = {}, words = null) {
  try {
    const got = await post(name, body);
    if (words) showMessage(typeof words === "function" ? words(got) : words);
    return got;
  } catch (error) {
    showMessage(say("failed", { error: error.message }), true);
    return undefined;
  }
}

// opens the dialog and waits for its end; whether the person said yes
function opened(question, withInput) {
  const dialog = by("dialog"), input = by("dialog-input");
  by("dialog-label").textContent = question;
  input.hidden = !withInput;
  input.disabled = !withInput;
  dialog.returnValue = "no";
  dialog.showModal();
  (withInput ? input : dialog.querySelector("button")).focus();
  return new Promise((resolve) => { dialog.onclose = () => resolve(dialog.returnValue === "yes"); });
}

// a text from the person, or null
export async function ask(question, value = "") {
  const input = by("dialog-input");
  input.value = value;
  const yes = await opened(question, true);
  return yes && input.value.trim() ? input.value.trim() : null;
}

// whether the person agrees
export const agree = (question) => opened(question, false);
