"use strict";
const settings = { displayModeBar: false, displaylogo: false, responsive: true, scrollZoom: false, doubleClick: false };
const PAPER_PX = 680; // A4 and Letter within their margins
const PAPER_SHARE = 0.86; // of the height on the screen: two figures a page
const drawn = [];
for (const place of document.querySelectorAll("[data-figure]")) {
  const figure = JSON.parse(document.getElementById(place.dataset.figure).textContent);
  drawn.push({ place, figure });
}
function layoutFor(figure, width) {
  return { ...figure.layout, ...(width < 560 ? figure.narrow : {}) };
}
for (const { place, figure } of drawn) {
  Plotly.newPlot(place, figure.data, layoutFor(figure, place.clientWidth), settings);
}
addEventListener("beforeprint", () => {
  for (const { place, figure } of drawn) {
    Plotly.react(place, figure.data, { ...figure.layout, width: PAPER_PX, height: Math.round(PAPER_SHARE * figure.layout.height) }, settings);
  }
});
addEventListener("afterprint", () => {
  for (const { place, figure } of drawn) {
    Plotly.react(place, figure.data, layoutFor(figure, place.clientWidth), settings);
  }
});
