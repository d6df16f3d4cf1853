// The view beside the chassis: what to touch now, what it reads, what was taken.
import { show, text, make, svgFrom, volts } from "/static/dom.js";
import { awake } from "/static/awake.js";
import { linePlot } from "/static/plot.js";
const at = (id) => document.getElementById(id);
let surveyed = "", pulled = "", shown = "", marked = "", points = 0, weighed = null, settled = true;
let begun = {}, inHand = "", pull = null, now = null, formOpen = false; // over a survey that runs or is over

export function job(job) {
  at("cautions").replaceChildren(...job.cautions.map((words) => make("li", {}, words)));
  text(at("mains-words"), job.mains_words);
  // What was entered for another job or pass, by a server that has gone, does not hold for this one.
  const place = JSON.stringify([job.name, job.chassis, job.pass]);
  if (surveyed && surveyed !== place) { at("mains").value = at("changed").value = at("pulled").value = pulled = ""; at("glow").checked = false; }
  if (surveyed !== place) at("pass").value = job.pass;
  surveyed = place;
  begun = job.begun ?? {};
  inHand = job.pass;
  at("passes").replaceChildren(...job.passes.map((name) => make("option", { value: name })));
  if (job.mains_v && !at("mains").value && !formOpen) at("mains").value = String(job.mains_v);
  if (pulled !== (job.pulled ?? "")) at("pulled").value = pulled = job.pulled ?? "";
}

export function meter(meter) {
  const digits = at("digits");
  const words = meter.text ?? "–";
  if (words !== shown) { shown = words; text(at("value"), words); }
  text(at("unit"), meter.unit ?? "V");
  digits.style.setProperty("--characters", Math.max(6, words.length)); // one size while the sign comes and goes
  digits.dataset.state = meter.state;
  for (const item of at("phases").children) {
    if (item.dataset.phase === meter.state || (meter.state === "steady" && item.dataset.phase === "settling")) item.setAttribute("aria-current", "step");
    else item.removeAttribute("aria-current");
  }
}
// The start form over a survey: to go round again, or to begin another pass, as with a tube out of its socket.
function form(name, out) {
  formOpen = Boolean(now?.running);
  at("pass").value = name;
  at("pulled").value = out ?? begun[name]?.pulled ?? "";
  // Of a pass without a name yet nobody has read the mains: those of the one before would stand in it as read.
  at("mains").value = name ? String(begun[name]?.mains_v ?? begun[inHand]?.mains_v ?? at("mains").value) : "";
  show(at("unchanged"), formOpen);
  show(at("start"), true);
  show(at("work"), false);
  scrollTo(0, 0);
}
const wasRead = (name) => (name === inHand ? points > 0 : Boolean(begun[name]?.read));
function unused(name) {
  let free = name;
  for (let number = 2; wasRead(free); number++) free = `${name}-${number}`;
  return free;
}
function chosen() { // what is known of a pass that was begun; a new one stands as the person says
  const known = begun[at("pass").value.trim()];
  if (known) { at("pulled").value = known.pulled; if (known.mains_v) at("mains").value = String(known.mains_v); }
}
at("again").addEventListener("click", () => { form(inHand); at("mains").focus(); });
at("another").addEventListener("click", () => { form(""); at("pass").focus(); });
at("pull").addEventListener("click", () => { form(pull.pass, pull.out.join(" ")); at("begin").focus(); });
at("unchanged").addEventListener("click", () => { begins(); step(now); });
at("pass").addEventListener("change", chosen);
at("changed").addEventListener("change", () => { // what was changed after a pass was read belongs to another
  const part = at("changed").value.trim().split(/[\s,=]/)[0];
  const name = at("pass").value.trim();
  if (part && (!name || wasRead(name))) { at("pass").value = unused(`after-${part}`); at("pulled").value = ""; }
});
export function begins() { formOpen = false; }
export function stale(is) { at("digits").dataset.stale = is ? "yes" : "no"; }

export async function step(step) {
  now = step;
  const opens = step.running && !formOpen && at("work").hidden;
  show(at("start"), !step.running || formOpen);
  show(at("work"), step.running && !formOpen);
  show(at("unchanged"), formOpen);
  if (opens && !at("survey").hidden) scrollTo(0, 0); // the form was long: lamps, point and digits stand at the top
  show(at("again"), Boolean(step.over));
  text(at("again"), step.left ? "Go round again: what was left out or skipped" : "Go round again");
  show(at("controls"), !step.over); // a round that is over hears no key
  show(at("phases"), !step.watching);
  show(at("course"), Boolean(step.watching));
  show(at("list"), !step.watching);
  for (const name of ["back", "repeat", "skip"]) show(at("controls").querySelector(`[data-act=${name}]`), !step.watching);
  show(at("controls").querySelector("[data-act=end]"), Boolean(step.watching));
  text(at("confirms"), step.marks ? "Set a mark" : "Confirm");
  awake("survey", Boolean(step.running && !step.over));
  if (!step.running) return;
  text(at("step-count"), step.count ?? "");
  text(at("step-point"), step.title);
  text(at("step-function"), step.function ?? "");
  text(at("step-healthy"), step.healthy ?? "");
  text(at("step-hazard"), step.hazard ?? "");
  show(at("step-hazard"), Boolean(step.hazard));
  text(at("prompt"), step.prompt ?? "");
  const verdict = at("verdict");
  show(verdict, Boolean(step.verdict));
  if (step.verdict) { verdict.dataset.verdict = step.verdict; text(verdict, step.verdict_words); }
  const address = step.tube ? `/base/${encodeURIComponent(step.tube)}?pin=${step.pin ?? 0}` : "";
  if (address === marked) return;
  marked = address;
  text(at("base-caption"), step.base_words ?? "");
  if (!address) { at("base").replaceChildren(); return; }
  at("base").style.visibility = "hidden";  // a ring round the pin of the last point would lead the tip there
  try {
    const drawing = await svgFrom(address);
    if (marked !== address) return;
    at("base").replaceChildren(drawing);
  } catch { if (marked === address) at("base").replaceChildren(); }
  if (marked === address) at("base").style.visibility = "";
}

function behind() {
  const late = weighed === null ? 0 : points - weighed;
  text(at("suspects-behind"), late > 0 ? `weighing ${late === 1 ? "the newest reading" : `the newest ${late} readings`}` : settled ? "" : "first look, still weighing");
}

export function taken(taken) {
  points = taken.readings.length;
  behind();
  at("done").replaceChildren(...taken.readings.map((reading) => make("tr", {},
    make("th", { scope: "row" }, reading.point, make("small", {}, reading.function)), make("td", {}, volts(reading.value)),
    make("td", {}, ...reading.healthy.map((words, number) => (number ? make("small", {}, words) : words))),
    make("td", { "data-verdict": reading.verdict ?? "" }, reading.verdict_words))));
}

export function course(course) {
  const columns = course.columns;
  at("course-told").replaceChildren(...course.told.map((words) => make("li", {}, words)));
  if (columns.length < 2) { at("course-plot").replaceChildren(); return; }
  at("course-plot").replaceChildren(linePlot({
    series: [{ line: columns.map((c) => [c[0], c[2]]), name: "mean" }, { band: columns.map((c) => [c[0], c[1], c[3]]), name: "lowest to highest" }],
    across: "minutes since switch-on", up: "V", label: `Course of the volts since switch-on, now ${course.last}`, width: at("course-plot").clientWidth || 860 }));
}

export function suspects(found) {
  weighed = found.points ?? null;
  settled = found.settled ?? true;
  behind();
  const rows = found.suspects.map((suspect) => {
    const fill = make("span");
    fill.style.width = `${Math.round(100 * suspect.probability)}%`;
    return make("div", { class: "suspect" }, make("b", {}, `${suspect.part} ${suspect.fault}`), ` ${suspect.chance}`,
      suspect.estimate ? make("small", {}, suspect.estimate) : "", make("span", { class: "bar", "aria-hidden": "true" }, fill), make("small", {}, suspect.because ?? ""));
  });
  if (found.nothing_wrong !== null) rows.push(make("p", { class: "quiet" }, `Nothing wrong: ${found.nothing_wrong}`));
  const asked = (found.asked ?? []).map((words) => make("p", {}, make("b", {}, "First: "), words));
  at("suspects").replaceChildren(...asked, ...(rows.length ? rows : [make("p", { class: "quiet" }, found.words || "Nothing read yet.")]));
  at("suspects").append(...(found.counted ?? []).map((words) => make("p", { class: "quiet" }, words)));
  pull = found.pull;
  if (pull) text(at("pull"), `Begin a pass with ${pull.what.join(" and ")} out`);
  show(at("pull"), Boolean(pull));
  show(at("advice"), Boolean(found.advice));
  text(at("advice"), found.advice ?? "");
}
