// Gain of a stage: runs on the server, drawn here with the fitted sine and the model's value.
import { show, text, make } from "/static/dom.js";
import { linePlot } from "/static/plot.js";
import { awake } from "/static/awake.js";
const at = (id) => document.getElementById(id);
const PLOTS = {
  traces: { across: "time, ms", up: "share of its peak", label: "Captured waveforms with the fitted sines" },
  response: { across: "frequency, Hz", up: "gain, dB", logarithmic: true, label: "Gain against frequency over the modelled band" },
};
const drawn = { traces: [], response: [] };
let known = "";

export function job(job) {
  const now = JSON.stringify([job.name, job.chassis, job.pass, job.stages]);
  if (now === known) return;
  if (known) at("load-present").checked = false; // confirmed for another chassis or pass, before a server that has gone
  known = now;
  for (const id of ["gain-first", "gain-form"]) show(at(id), job.stages.length > 0);
  show(at("no-stages"), job.stages.length === 0);
  at("stage").replaceChildren(...job.stages.map((stage) => make("option", { value: stage.name }, `${stage.name}: ${stage.from} to ${stage.to}`)));
}
export function wire(act) {
  at("gain-form").addEventListener("submit", (event) => {
    event.preventDefault();
    act("gain", { stage: at("stage").value, drive_pp_v: at("drive").value, freq_hz: at("freq").value, run: event.submitter?.dataset.run ?? "single", load_present: at("load-present").checked });
  });
  at("gain-stop").addEventListener("click", () => act("stop"));
  at("gain-confirm").addEventListener("click", () => act("placed"));
  const widths = {}; // anew when a phone is turned, and when a view that was drawn unseen comes into sight
  const turned = new ResizeObserver((places) => places.forEach(({ target }) => {
    if (widths[target.id] !== target.clientWidth) { widths[target.id] = target.clientWidth; plot(target.id); }
  }));
  for (const name of Object.keys(PLOTS)) turned.observe(at(name));
}
function plot(name) {
  const series = drawn[name], place = at(name);
  place.replaceChildren(...(series.length ? [linePlot({ series, ...PLOTS[name], width: place.clientWidth })] : []));
}
export function update(state) {
  text(at("gain-progress"), state.progress ?? "");
  if (state.progress) show(at("gain-first"), false); // from here on the progress says what to do
  show(at("gain-confirm"), Boolean(state.waiting));
  awake("gain", Boolean(state.running));
  at("gain-notices").replaceChildren(...(state.notices ?? []).map((words) => make("p", { class: "hazard" }, words)));
  const result = state.result;
  at("gain-result").replaceChildren(...(result ? [make("p", { class: "result" }, result.words), make("p", { class: "quiet" }, result.model_words ?? ""), ...(result.warnings ?? []).map((w) => make("p", { class: "hazard" }, w))] : []));
  Object.assign(drawn, { traces: state.traces ?? [], response: state.response ?? [] });
  for (const name of Object.keys(PLOTS)) plot(name);
  text(at("traces-caption"), drawn.traces.length ? "Dots as captured, lines as fitted. Each trace is drawn to its own height." : "");
  text(at("response-caption"), !drawn.response.length ? "" : `Dots measured with bars of two standard uncertainties${drawn.response.some((series) => series.band?.length) ? "; the grey band is what healthy parts and tubes would show" : ""}.`);
  for (const button of at("gain-form").querySelectorAll("[data-run]")) button.disabled = Boolean(state.running);
}
