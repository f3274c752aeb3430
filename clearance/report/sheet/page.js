// The drawing that can be turned about: data stands beside it on the page, the library before it.
"use strict";
(() => {
  const place = document.getElementById("scene");
  const say = (words) => {
    const note = document.createElement("p");
    note.className = "note missing";
    note.textContent = words;
    place.replaceWith(note);
  };
  const given = document.getElementById("scene-data");
  if (!place || !given) return;
  const scene = JSON.parse(given.textContent);
  const probe = document.createElement("canvas");
  if (!(probe.getContext("webgl2") || probe.getContext("webgl"))) {
    say("This browser does not draw in three dimensions (no WebGL). The pictures show the same.");
    return;
  }
  const plot = window.Plotly;
  const options = { displaylogo: false, displayModeBar: false, responsive: true, scrollZoom: true, doubleClick: false };
  plot.newPlot(place, scene.traces, scene.layout, options).then(() => {
    place.dataset.drawn = "yes";
  });
  const labels = document.getElementById("labels-on");
  const shown = () => {
    const change = {};
    for (const box of document.querySelectorAll("input[data-switch]")) {
      const one = scene.switches[Number(box.dataset.switch)];
      for (const k of one.labels) change[`scene.annotations[${k}].visible`] = box.checked && labels.checked;
    }
    return change;
  };
  for (const box of document.querySelectorAll("input[data-switch]")) {
    box.addEventListener("change", () => {
      const one = scene.switches[Number(box.dataset.switch)];
      plot.update(place, { visible: box.checked }, shown(), one.traces);
    });
  }
  labels.addEventListener("change", () => plot.relayout(place, shown()));
  for (const button of document.querySelectorAll("button[data-view]")) {
    button.addEventListener("click", () => plot.relayout(place, { "scene.camera": scene.views[button.dataset.view] }));
  }
})();
