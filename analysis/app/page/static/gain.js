// Gain of a stage: runs on the server, drawn here with the fitted sine and the model's value.
import { show, text, make } from "/static/dom.js";
import { linePlot } from "/static/plot.js";
const at = (id) => document.getElementById(id);

export function job(job) {
  if (at("stage").children.length) return;
  at("stage").replaceChildren(...job.stages.map((stage) => make("option", { value: stage.name }, `${stage.name}: ${stage.from} to ${stage.to}`)));
}
export function wire(act) {
  at("gain-form").addEventListener("submit", (event) => {
    event.preventDefault();
    act("gain", { stage: at("stage").value, drive_pp_v: at("drive").value, freq_hz: at("freq").value, run: event.submitter?.dataset.run ?? "single", load_present: at("load-present").checked });
  });
  at("gain-stop").addEventListener("click", () => act("stop"));
  at("gain-confirm").addEventListener("click", () => act("confirm"));
}
export function update(state) {
  text(at("gain-progress"), state.progress ?? "");
  show(at("gain-confirm"), Boolean(state.waiting));
  at("gain-notices").replaceChildren(...(state.notices ?? []).map((words) => make("p", { class: "hazard" }, words)));
  const result = state.result;
  at("gain-result").replaceChildren(...(result ? [make("p", { class: "result" }, result.words), make("p", { class: "quiet" }, result.model_words ?? ""), ...(result.warnings ?? []).map((w) => make("p", { class: "hazard" }, w))] : []));
  const traces = state.traces ?? [];
  at("traces").replaceChildren(...(traces.length ? [linePlot({ series: traces, across: "time, ms", up: "V", label: "Captured waveforms with the fitted sines", width: at("traces").clientWidth })] : []));
  text(at("traces-caption"), traces.length ? "Dots as captured, lines as fitted. Each trace is drawn to its own height." : "");
  const response = state.response ?? [];
  at("response").replaceChildren(...(response.length ? [linePlot({ series: response, across: "frequency, Hz", up: "gain, dB", logarithmic: true, label: "Gain against frequency over the modelled band", width: at("response").clientWidth })] : []));
  text(at("response-caption"), response.length ? "Dots measured with bars of two standard uncertainties; the grey band is what healthy parts and tubes would show." : "");
  for (const button of at("gain-form").querySelectorAll("[data-run]")) button.disabled = Boolean(state.running);
}
