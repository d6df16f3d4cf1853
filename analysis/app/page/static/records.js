// What is already on disk: two passes side by side, the drawing with measured over expected, history of a point.
import { make, text } from "/static/dom.js";
const at = (id) => document.getElementById(id);
let svgFrom = null, passes = [], known = "";

export function wire(loader) {
  svgFrom = loader;
  for (const id of ["before", "after"]) at(id).addEventListener("change", showCompare);
  at("drawing").addEventListener("click", (event) => point(event.target.closest("[data-point]")?.dataset.point));
  at("drawing").addEventListener("keydown", (event) => { if (event.key === "Enter") point(event.target.closest("[data-point]")?.dataset.point); });
}
export function job(job) {
  const now = JSON.stringify([job.name, job.chassis, job.passes]);
  if (now === known) return;
  known = now;
  at("history").replaceChildren();
  passes = job.passes;
  for (const [id, fallback] of [["before", 0], ["after", passes.length - 1]]) {
    const kept = at(id).value;
    at(id).replaceChildren(...passes.map((name) => make("option", { value: name }, name)));
    at(id).value = passes.includes(kept) ? kept : passes[fallback] ?? "";
  }
  changed();
}
export function changed() {
  if (!at("compare").hidden) showCompare();
  if (!at("chassis").hidden) showChassis();
}
export async function showCompare() {
  const place = at("compare-result"), form = place.previousElementSibling;
  form.hidden = passes.length < 2;
  if (form.hidden) { place.replaceChildren(make("p", { class: "quiet" }, "One pass so far. After the repair open the page again with --pass and a name of its own, such as after-C2, and read the points again: then both stand here side by side.")); return; }
  const before = at("before").value, after = at("after").value;
  if (!before || !after || before === after) { place.replaceChildren(make("p", { class: "quiet" }, "Choose two different passes.")); return; }
  const answer = await fetch(`/compare?before=${encodeURIComponent(before)}&after=${encodeURIComponent(after)}`);
  if (!answer.ok) { place.replaceChildren(make("p", {}, await answer.text())); return; }
  const found = await answer.json();
  place.replaceChildren(
    ...found.words.map((words, number) => make("p", number ? {} : { class: "result" }, words)),
    make("table", { class: "lines" }, make("thead", {}, make("tr", {}, ...["Reading", "Before", "After", "Change", "Verdict"].map((h) => make("th", { scope: "col" }, h)))),
      make("tbody", {}, ...found.changes.map((c) => make("tr", {}, make("th", { scope: "row" }, c.what), make("td", { class: "before" }, c.before), make("td", { class: "after" }, c.after), make("td", { class: "change" }, c.change),
        make("td", { class: "judged" }, `${c.sign} ${c.verdict}`, make("small", {}, c.direction)))))));
}
export async function showChassis() {
  try { at("drawing").replaceChildren(await svgFrom("/drawing")); }
  catch (error) { at("drawing").replaceChildren(make("p", {}, error.message)); }
}
async function point(name) {
  if (!name) return;
  const answer = await fetch(`/history?point=${encodeURIComponent(name)}`);
  if (!answer.ok) { text(at("history"), await answer.text()); return; }
  const found = await answer.json();
  at("history").replaceChildren(make("h2", {}, name), make("table", { class: "lines" }, make("thead", {}, make("tr", {}, ...["Pass", "Reading", "Value, 95 %", "Taken, UTC"].map((h) => make("th", { scope: "col" }, h)))), make("tbody", {}, ...found.readings.map((r) =>
    make("tr", {}, make("th", { scope: "row" }, r.pass), make("td", { class: "what" }, r.what), make("td", { class: "value" }, r.value, make("small", {}, r.quality)), make("td", { class: "time" }, r.time))))));
}
