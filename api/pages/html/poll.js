// Asks for the page anew while somebody looks at it, and says when that fails. An unchanged page is answered
// with a few hundred bytes. Nothing is lost without this script: a reload does the same.
"use strict";
const EVERY_MS = 60_000, MOST_MS = 15 * EVERY_MS, PATIENCE_MS = 30_000;
const main = document.querySelector("main"), note = document.getElementById("link");
const fields = "a, button, summary, input, select, textarea";
let shown = main.innerHTML, heard = Date.now(), asked = heard, wait = EVERY_MS, timer = 0;

async function ask() {
  clearTimeout(timer);
  asked = Date.now();
  try {
    const answer = await fetch(location.href, {cache: "no-cache", signal: AbortSignal.timeout(PATIENCE_MS)});
    if (answer.redirected) return location.reload(); // signed out
    if (!answer.ok) throw new Error(answer.statusText);
    renew(await answer.text());
    heard = Date.now();
    wait = EVERY_MS;
    tell(false);
  } catch {
    wait = Math.min(2 * wait, MOST_MS);
    tell(true);
  }
  if (!document.hidden) timer = setTimeout(ask, wait);
}

function tell(lost) {
  const form = {hour: "2-digit", minute: "2-digit", hourCycle: "h23"}; // as all other times here
  const time = new Date(heard).toLocaleTimeString(document.documentElement.lang, form);
  const words = lost ? note.dataset.lost.replace("{time}", time) : "";
  if (note.textContent !== words) note.textContent = words;
  main.classList.toggle("old", lost);
}

function renew(text) {
  const page = new DOMParser().parseFromString(text, "text/html"), fresh = page.querySelector("main");
  const next = fresh.innerHTML;
  if (next === shown || busy()) return;
  const open = [...main.querySelectorAll("details")].map(part => part.open);
  const focus = [...main.querySelectorAll(fields)].indexOf(document.activeElement);
  main.replaceChildren(...fresh.childNodes);
  document.dispatchEvent(new Event("renewed"));
  main.querySelectorAll("details").forEach((part, n) => part.open = open[n]);
  if (focus >= 0) main.querySelectorAll(fields)[focus]?.focus({preventScroll: true});
  document.title = page.title;
  shown = next;
}

// What somebody is writing is not taken away.
function busy() {
  return [...main.querySelectorAll("form input:not([type=hidden]), textarea")].some(
    field => field === document.activeElement || field.value !== field.defaultValue);
}

document.addEventListener("visibilitychange", () => {
  clearTimeout(timer);
  if (!document.hidden) timer = setTimeout(ask, Math.max(0, asked + wait - Date.now()));
});
addEventListener("online", ask);
timer = setTimeout(ask, EVERY_MS);
