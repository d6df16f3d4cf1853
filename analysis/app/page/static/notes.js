// Notes: intake, parts changed, remarks. The server writes them into the job and says what stands there.
import { text, make } from "/static/dom.js";
const at = (id) => document.getElementById(id);
const intake = ["customer", "serial", "technician", "complaint"];
let names = "", sockets = "";
const boxes = () => [...at("pulled-sockets").querySelectorAll("input")];

export function wire(act) {
  // A field that somebody is at work on is not overwritten by what the server says.
  for (const id of intake) at(id).addEventListener("input", () => { at(id).dataset.edited = "yes"; });
  at("intake-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    const sent = await act("intake", Object.fromEntries(intake.map((id) => [id, at(id).value])));
    if (sent) for (const id of intake) delete at(id).dataset.edited;
  });
  at("changed-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    const value = at("changed-value").value.replaceAll(" ", "");
    const name = at("changed-name").value;
    if (await act("changed", { [at("changed-how").value]: name && value ? `${name}=${value}` : name })) at("changed-value").value = at("changed-name").value = "";
  });
  at("pulled-form").addEventListener("input", () => { at("pulled-form").dataset.edited = "yes"; });
  at("pulled-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    delete at("pulled-form").dataset.edited; // from here on the server says how they stand
    const out = [...boxes().filter((box) => box.checked).map((box) => box.value), at("lifted").value.trim()];
    if (!await act("pulled", { pulled: out.join(" ").trim() || "none" })) at("pulled-form").dataset.edited = "yes";
  });
  at("remark-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    if (await act("note", { text: at("remark").value })) at("remark").value = "";
  });
}
export function update(notes) {
  text(at("notes-words"), notes.words);
  for (const id of intake) if (!at(id).dataset.edited) at(id).value = notes.intake[id];
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
