// Notes: intake, parts changed, remarks. The server writes them into the job and says what stands there.
import { text, make } from "/static/dom.js";
const at = (id) => document.getElementById(id);
const intake = ["customer", "serial", "technician", "complaint"];
let names = "";

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
  at("noted").replaceChildren(...(notes.noted.length ? notes.noted : ["Nothing yet."]).map((line) => make("li", {}, line)));
}
