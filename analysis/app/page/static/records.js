// What is already on disk: two passes side by side, the drawing with measured over expected, history of a point.
import { make, asked } from "/static/dom.js";
const at = (id) => document.getElementById(id);
let svgFrom = null, inHand = "", passes = [], known = "", compared = "", comparing = 0, drawing = 0, drawnFor = 0, looking = 0;

export function wire(loader) {
  svgFrom = loader;
  for (const id of ["before", "after"]) at(id).addEventListener("change", showCompare);
  // As many sections a row as the place takes: set anew when a window is narrowed or a phone turned.
  new ResizeObserver(() => { if (!at("chassis").hidden && at("drawing").clientWidth !== drawnFor) showChassis(); }).observe(at("drawing"));
  at("drawing").addEventListener("click", (event) => point(event.target.closest("[data-point]")?.dataset.point));
  at("drawing").addEventListener("keydown", (event) => {
    const name = event.target.closest("[data-point]")?.dataset.point;
    if (!name || !["Enter", " "].includes(event.key)) return; // a button answers to both, and the space bar scrolls nothing
    event.preventDefault();
    point(name);
  });
}
export function job(job) {
  const now = JSON.stringify([job.name, job.chassis, job.pass, job.passes]);
  if (now === known) return;
  known = now;
  inHand = job.pass;
  at("history").replaceChildren();
  const chosen = passes.length > 1; // of one pass nobody chose to see it on both sides
  passes = job.passes;
  for (const [id, fallback] of [["before", 0], ["after", passes.length - 1]]) {
    const kept = chosen ? at(id).value : "";
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
  if (form.hidden) { place.replaceChildren(make("p", { class: "quiet" }, "One pass so far. After the repair begin another under Survey, such as after-C2, and read the points again: then both stand here side by side.")); return; }
  const before = at("before").value, after = at("after").value;
  if (!before || !after || before === after) { place.replaceChildren(make("p", { class: "quiet" }, "Choose two different passes.")); compared = ""; comparing++; return; }
  // The model takes seconds: what two other passes came to must not stand under the names of these meanwhile.
  const pair = JSON.stringify([before, after]), mine = ++comparing;
  if (pair !== compared) place.replaceChildren(make("p", { class: "quiet" }, "Comparing."));
  compared = pair;
  let found = null, trouble = "";
  try {
    found = await (await asked(`/compare?before=${encodeURIComponent(before)}&after=${encodeURIComponent(after)}`)).json();
  } catch (error) { trouble = error.message; }
  if (mine !== comparing) return;
  if (!found) { place.replaceChildren(make("p", {}, trouble)); return; }
  place.replaceChildren(
    ...found.words.map((words, number) => make("p", number ? {} : { class: "result" }, words)),
    make("table", { class: "lines" }, make("thead", {}, make("tr", {}, ...["Reading", "Before", "After", "Change", "Verdict"].map((h) => make("th", { scope: "col" }, h)))),
      make("tbody", {}, ...found.changes.map((c) => make("tr", {}, make("th", { scope: "row" }, c.what), make("td", { class: "before" }, c.before), make("td", { class: "after" }, c.after), make("td", { class: "change" }, c.change),
        make("td", { class: "judged" }, `${c.sign} ${c.verdict}`, make("small", {}, c.direction)))))));
}
export async function showChassis() {
  const place = at("drawing"), inside = getComputedStyle(place), mine = ++drawing;
  drawnFor = place.clientWidth;
  const room = Math.floor(drawnFor - parseFloat(inside.paddingLeft) - parseFloat(inside.paddingRight));
  const drawn = await svgFrom(`/drawing?width=${Math.max(0, room)}&pass=${encodeURIComponent(inHand)}`).catch((error) => make("p", {}, error.message));
  if (mine !== drawing) return;
  const chosen = document.activeElement?.closest("#drawing [data-point]")?.dataset.point;
  place.replaceChildren(drawn);
  if (chosen) place.querySelector(`[data-point="${CSS.escape(chosen)}"]`)?.focus({ preventScroll: true }); // keys stay where they were
}
async function point(name) {
  if (!name) return;
  const place = at("history"), mine = ++looking;
  let found = null, trouble = "";
  try { found = await (await asked(`/history?point=${encodeURIComponent(name)}`)).json(); } catch (error) { trouble = error.message; }
  if (mine !== looking) return; // another point was chosen since
  const close = make("button", { type: "button" }, "Close");
  close.addEventListener("click", () => { place.replaceChildren(); at("drawing").querySelector(`[data-point="${CSS.escape(name)}"]`)?.focus({ preventScroll: true }); });
  // Under a tall drawing it stays at the lower edge of the screen: the point that was chosen stays in sight.
  place.replaceChildren(make("div", { class: "heading" }, make("h2", {}, found ? name : trouble), close));
  if (found) place.append(make("table", { class: "lines" }, make("thead", {}, make("tr", {}, ...["Pass", "Reading", "Value, 95 %", "Taken, UTC"].map((h) => make("th", { scope: "col" }, h)))), make("tbody", {}, ...found.readings.map((r) =>
    make("tr", {}, make("th", { scope: "row" }, r.pass), make("td", { class: "what" }, r.what), make("td", { class: "value" }, r.value, make("small", {}, r.quality)), make("td", { class: "time" }, r.time))))));
}
