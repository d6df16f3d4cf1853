"use strict";
const settings = { displayModeBar: false, displaylogo: false, responsive: false, scrollZoom: false, doubleClick: false };
const PAPER_PX = 680; // A4 and Letter within their margins
const PAPER_SHARE = 0.86; // of the height on the screen: two figures a page
const drawn = [];
for (const place of document.querySelectorAll("[data-figure]")) {
  const figure = JSON.parse(document.getElementById(place.dataset.figure).textContent);
  drawn.push({ place, figure, width: 0 });
}
// Width and height are always said: left to itself the library takes the least height that the page allows.
function show(place, figure, change) {
  const drawing = { data: figure.data, layout: { ...figure.layout, ...change } };
  const { data, layout } = structuredClone(drawing); // the library writes into what it is given
  Plotly.react(place, data, layout, settings);
}
let printing = false;
function tellOfWidth() {
  const drawing = document.querySelector(".drawing.scroll"), told = document.querySelector(".wider");
  if (drawing) told.hidden = drawing.scrollWidth <= drawing.clientWidth + 1;
}
function draw() {
  if (printing) return;
  tellOfWidth();
  for (const one of drawn) {
    const { place, figure } = one, width = place.clientWidth;
    if (width === one.width) continue;
    one.width = width;
    show(place, figure, { ...(width < 560 ? figure.narrow : {}), width });
  }
}
draw();
let asked = 0;
addEventListener("resize", () => { clearTimeout(asked); asked = setTimeout(draw, 60); });
addEventListener("beforeprint", () => {
  printing = true;
  for (const { place, figure } of drawn) show(place, figure, { width: PAPER_PX, height: Math.round(PAPER_SHARE * figure.layout.height) });
});
addEventListener("afterprint", () => {
  printing = false;
  for (const one of drawn) one.width = 0;
  draw();
});
