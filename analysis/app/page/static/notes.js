// Notes: intake, parts changed, remarks, conclusion, and the report as a file. The server writes them into the job and says what stands there.
import { text, make, asked } from "/static/dom.js";
const at = (id) => document.getElementById(id);
const sheets = { intake: ["customer", "serial", "technician", "complaint"], conclude: ["found", "advice"] };
const fields = Object.values(sheets).flat();
const box = (name) => at(name === "advice" ? "advised" : name); // advice is what the survey view says to read next
let names = "", sockets = "", waiting = ""; // of the forms that are emptied: which one waits for its answer
const boxes = () => [...at("pulled-sockets").querySelectorAll("input")];

export function wire(act) {
  const ask = async (action, body) => { waiting = action; if (!await act(action, body)) waiting = ""; };
  // A field that somebody is at work on is not overwritten by what the server says.
  for (const name of fields) box(name).addEventListener("input", () => { box(name).dataset.edited = "yes"; });
  for (const [action, names] of Object.entries(sheets)) {
    at(`${action}-form`).addEventListener("submit", async (event) => {
      event.preventDefault();
      const sent = await act(action, Object.fromEntries(names.map((name) => [name, box(name).value])));
      if (sent) for (const name of names) delete box(name).dataset.edited;
    });
  }
  at("report").addEventListener("click", report);
  at("changed-form").addEventListener("submit", (event) => {
    event.preventDefault();
    const value = at("changed-value").value.replaceAll(" ", "");
    const name = at("changed-name").value;
    ask("changed", { [at("changed-how").value]: name && value ? `${name}=${value}` : name });
  });
  at("pulled-form").addEventListener("input", () => { at("pulled-form").dataset.edited = "yes"; });
  at("pulled-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    delete at("pulled-form").dataset.edited; // from here on the server says how they stand
    const out = [...boxes().filter((box) => box.checked).map((box) => box.value), at("lifted").value.trim()];
    if (!await act("pulled", { pulled: out.join(" ").trim() || "none" })) at("pulled-form").dataset.edited = "yes";
  });
  at("remark-form").addEventListener("submit", (event) => {
    event.preventDefault();
    ask("note", { text: at("remark").value });
  });
}
// The model takes seconds; what went wrong is told here, and no file with an error in it is kept.
async function report() {
  const words = at("report-words"), button = at("report");
  button.disabled = true;
  text(words, "The report is being put together.");
  try {
    const answer = await asked("/report");
    const link = make("a", { href: URL.createObjectURL(await answer.blob()), download: `${at("job-name").textContent}.html` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    text(words, "One file that opens without a network and prints; look among the downloads of this browser.");
  } catch (error) { text(words, error.message); }
  button.disabled = false;
}
export function update(notes) {
  text(at("notes-words"), notes.words);
  // What was refused stays as it was typed, to be put right.
  if (notes.done === waiting) for (const id of { changed: ["changed-name", "changed-value"], note: ["remark"] }[waiting] ?? []) at(id).value = "";
  if (notes.words) waiting = "";
  for (const name of fields) if (!box(name).dataset.edited) box(name).value = notes.sheet[name];
  if (names !== notes.names.join()) {
    names = notes.names.join();
    // None is chosen beforehand: what is written down stays, and the first part was changed by nobody.
    at("changed-name").replaceChildren(make("option", { value: "" }, "choose"), ...notes.names.map((name) => make("option", { value: name }, name)));
  }
  const known = notes.sockets.map((socket) => `${socket.name} ${socket.tube}`).join();
  if (sockets !== known) {
    sockets = known;
    const labels = notes.sockets.map((socket) => make("label", {}, make("input", { type: "checkbox", value: socket.name }), `${socket.name} ${socket.tube}`));
    at("pulled-sockets").replaceChildren(at("pulled-sockets").firstElementChild, ...labels);
  }
  if (!at("pulled-form").dataset.edited) {
    for (const box of boxes()) box.checked = notes.sockets.some((socket) => socket.out && socket.name === box.value);
    at("lifted").value = notes.lifted;
  }
  at("noted").replaceChildren(...(notes.noted.length ? notes.noted : ["Nothing yet."]).map((line) => make("li", {}, line)));
}
