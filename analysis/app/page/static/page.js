// Wires the views to the stream of the server. Nothing here measures or judges: it shows what it is told.
import { show, text, svgFrom } from "/static/dom.js";
import { sound } from "/static/sound.js";
import { isAwake } from "/static/awake.js";
import * as survey from "/static/survey.js";
import * as gain from "/static/gain.js";
import * as records from "/static/records.js";
import * as notes from "/static/notes.js";

const views = ["survey", "gain", "compare", "chassis", "notes"];
const lamp = (name, state, words) => {
  const item = document.getElementById(`lamp-${name}`);
  item.dataset.state = state;
  text(item.querySelector(".is"), words);
};
const place = document.getElementById("banner");
const banner = (words) => { text(place, words); show(place, words !== ""); };
let alarmed = "";
const SILENT = "The server does not answer. Nothing that was taken is lost; look at the terminal.";

// In the order in which they were asked for: two requests under way at once may overtake each other, Stop what it is to
// stop. An answer that is lost holds up none for longer than a moment.
let before = Promise.resolve();
export function act(action, body = {}) {
  const moment = new Promise((over) => setTimeout(over, 1000));
  before = Promise.race([before, moment]).then(() => send(action, body));
  return before;
}
async function send(action, body) {
  try {
    const answer = await fetch(`/act/${action}`, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
    if (!answer.ok) banner(await answer.text());
    else if (place.textContent === SILENT) banner(alarmed);
    return answer.ok;
  } catch {
    banner(SILENT);
    return false;
  }
}

function route() {
  const name = views.includes(location.hash.slice(1)) ? location.hash.slice(1) : "survey";
  for (const view of views) show(document.getElementById(view), view === name);
  for (const link of document.querySelectorAll("nav a")) {
    if (link.getAttribute("href") === `#${name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  if (name === "compare") records.showCompare();
  if (name === "chassis") records.showChassis();
}

// One stream a visible tab: browsers allow six connections to a host, and a seventh tab would hang without a word.
let stream = null, meterSeen = 0, heard = 0;
const DEAF_MS = 12000; // the server says within five seconds that it is there
const panels = {
  job: (job) => { document.title = `${job.name}, ${job.pass}: stagewalk`; text(document.getElementById("job-name"), job.name); text(document.getElementById("job-pass"), `${job.chassis}, pass ${job.pass}${job.stood ? `, ${job.stood}` : ""}`); survey.job(job); gain.job(job); records.job(job); },
  meter: (meter) => { meterSeen = performance.now(); survey.meter(meter); lamp("meter", meter.link, meter.words); },
  step: survey.step,
  taken: survey.taken,
  course: survey.course,
  suspects: survey.suspects,
  generator: (generator) => lamp("generator", generator.on ? "on" : generator.known ? "off" : "wait", generator.words),
  gain: gain.update,
  notes: notes.update,
  // What is told once more, as by a stream that was opened anew, does not hide that nothing asked for arrives.
  alarm: (alarm) => { const news = alarm.words !== alarmed; alarmed = alarm.words; if (news || place.textContent !== SILENT) banner(alarmed); },
  cue: (cue) => { sound.play(cue); if (cue.kind === "records") records.changed(); },
};
// Without the stream nothing is known of the instruments: a generator that was off may be on by now.
function unlinked(state, words) {
  lamp("link", state, words);
  for (const name of ["meter", "generator"]) lamp(name, "wait", "not known");
  survey.stale(true);
}
const GONE = "server gone, trying again", LOCKED = "shut out: open the address the terminal shows now";
// A browser does not try a refused stream again by itself, as where another server stands there by now, with a new token.
async function refused() {
  stream = null;
  const status = await fetch("/state", { method: "HEAD" }).then((answer) => answer.status, () => 0);
  unlinked("lost", status === 401 ? LOCKED : GONE);
  setTimeout(open, 3000);
}
function open() {
  if (stream || document.hidden) return;
  stream = new EventSource("/events");
  heard = performance.now();
  const opened = setTimeout(() => unlinked("lost", "no stream: close other tabs of this page"), 2000);
  stream.onopen = () => { clearTimeout(opened); lamp("link", "good", "live"); };
  stream.onerror = () => { clearTimeout(opened); if (stream?.readyState === EventSource.CLOSED) refused(); else unlinked("lost", GONE); };
  stream.addEventListener("end", () => { unlinked("lost", "server stopped"); stream.close(); stream = null; setTimeout(open, 3000); });
  for (const [name, handle] of Object.entries({ ...panels, alive: () => {} })) {
    stream.addEventListener(name, (event) => { heard = performance.now(); handle(JSON.parse(event.data)); });
  }
}
document.addEventListener("visibilitychange", () => {
  // A round that is being listened to goes on being heard behind another tab, such as the circuit diagram.
  if (document.hidden && isAwake() && sound.isOn()) return;
  if (document.hidden && stream) { stream.close(); stream = null; unlinked("wait", "paused while hidden"); }
  else open();
});
// Digits that are not being renewed must not pass for a reading, nor what was said of a generator over a dead link: a
// network that goes away closes no stream.
setInterval(() => {
  survey.stale(stream?.readyState !== EventSource.OPEN || performance.now() - meterSeen > 1500);
  if (stream?.readyState !== EventSource.OPEN || performance.now() - heard < DEAF_MS) return;
  stream.close();
  stream = null;
  unlinked("lost", GONE);
  open();
}, 250);

document.addEventListener("keydown", (event) => {
  if (!document.getElementById("keys").checked || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  if (event.target.closest("input:not([type=checkbox]), select, textarea")) return;
  const surveying = !document.getElementById("survey").hidden && !document.getElementById("work").hidden;
  const waiting = !document.getElementById("gain").hidden && !document.getElementById("gain-confirm").hidden;
  if (!surveying && !(waiting && event.key === " ")) return;
  // What switches the generator on is another word than what a probe on a pin says: tabs of both may be open.
  const action = { " ": waiting ? "placed" : "confirm", b: "back", r: "repeat", s: "skip" }[event.key.toLowerCase()];
  if (!action || (event.key === " " && event.target.closest("button, a, [type=checkbox]"))) return;
  event.preventDefault();
  act(action);
});
// What was clicked by a pointer does not keep the keys: the space bar, or a pedal that types it, would press it again.
document.addEventListener("click", (event) => { if (event.detail > 0) event.target.closest("nav a, #work :is(button, [type=checkbox]), #gain button")?.blur(); });
// Browsers give sound only after a touch or a key, and the tab may have been loaded in the middle of a survey.
for (const gesture of ["click", "keydown"]) document.addEventListener(gesture, sound.start, true);
for (const button of document.querySelectorAll("[data-act]")) button.addEventListener("click", () => act(button.dataset.act));
for (const button of document.querySelectorAll("[data-note]")) button.addEventListener("click", () => act("note", { text: button.dataset.note }));
const entered = (id) => document.getElementById(id).value;
function begin(watch) {
  survey.begins();
  act("start", { pass: entered("pass"), mains_v: entered("mains"), changed: entered("changed"), pulled: entered("pulled"), glow: document.getElementById("glow").checked, anew: document.getElementById("anew").checked, follow: document.getElementById("follow").checked, watch });
  document.getElementById("anew").checked = false; // for this round, not for one that goes on with it
}
document.getElementById("begin").addEventListener("click", () => begin(null));
document.getElementById("watch").addEventListener("click", () => begin({ point: entered("watch-point"), minutes: entered("watch-minutes"), above: entered("watch-above"), below: entered("watch-below") }));
window.addEventListener("hashchange", route);
gain.wire(act);
records.wire(svgFrom);
notes.wire(act);
route();
open();
