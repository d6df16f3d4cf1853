// The few things done to the document. Text is always set as text: a name in a file can never become markup.
export const show = (element, visible) => { element.hidden = !visible; };
export const text = (element, words) => { if (element.textContent !== words) element.textContent = words; };

export function make(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

export function draw(name, attributes = {}, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

// Drawings made by our own server; the one place where a string becomes markup, and the policy's only use.
const policy = window.trustedTypes ? trustedTypes.createPolicy("stagewalk-svg", { createHTML: (markup) => markup }) : { createHTML: (markup) => markup };
// What the server gives, or an error in words for people, its own or that it is not there.
export async function asked(address) {
  const answer = await fetch(address).catch(() => { throw new Error("The server does not answer."); });
  if (!answer.ok) throw new Error(await answer.text());
  return answer;
}
export async function svgFrom(address) {
  const answer = await asked(address);
  const parsed = new DOMParser().parseFromString(policy.createHTML(await answer.text()), "image/svg+xml");
  return document.importNode(parsed.documentElement, true);
}

export const volts = (value) => {
  if (value === null || value === undefined) return "–";
  const size = Math.abs(value);
  if (size < 5e-6) return "0 V";
  if (size < 0.0995) return `${(value * 1000).toFixed(size < 0.00995 ? 2 : 1)} mV`;
  return `${value.toFixed(size < 9.995 ? 3 : size < 99.95 ? 2 : 1)} V`;
};
