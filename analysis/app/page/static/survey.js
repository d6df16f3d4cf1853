// The view beside the chassis: what to touch now, what it reads, what was taken.
import { show, text, make, svgFrom, volts } from "/static/dom.js";
import { awake } from "/static/awake.js";
const at = (id) => document.getElementById(id);
let surveyed = "", pulled = "", shown = "", marked = "", points = 0, weighed = null, settled = true;

export function job(job) {
  at("cautions").replaceChildren(...job.cautions.map((words) => make("li", {}, words)));
  text(at("mains-words"), job.mains_words);
  // What was entered for another job or pass, by a server that has gone, does not hold for this one.
  const now = JSON.stringify([job.name, job.chassis, job.pass]);
  if (surveyed && surveyed !== now) { at("mains").value = at("changed").value = at("pulled").value = pulled = ""; at("glow").checked = false; }
  surveyed = now;
  if (job.mains_v && !at("mains").value) at("mains").value = String(job.mains_v);
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
at("again").addEventListener("click", () => { show(at("start"), true); show(at("work"), false); at("mains").focus(); });
export function stale(is) { at("digits").dataset.stale = is ? "yes" : "no"; }

export async function step(step) {
  const begins = step.running && at("work").hidden;
  show(at("start"), !step.running);
  show(at("work"), step.running);
  if (begins && !at("survey").hidden) scrollTo(0, 0); // the form was long: lamps, point and digits stand at the top
  show(at("again"), Boolean(step.over));
  text(at("again"), step.left ? "Go round again: what was left out or skipped" : "Go round again");
  show(at("controls"), !step.over); // a round that is over hears no key
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
  show(at("advice"), Boolean(found.advice));
  text(at("advice"), found.advice ?? "");
}
