"use strict";
/* Two annotators: the figures of their agreement. Their rows lie one above the other on the strip. */

const FIGURE_NAMES = [
  ["accuracy", "Same label, share of time"], ["kappa", "Kappa, time with a gap counted"],
  ["kappa_labelled", "Kappa, where both name a step"], ["edit", "Order of steps alike (0–100)"],
];

const figure = (value, digits = 2) => (value === null || value === undefined ? "–" : value.toFixed(digits));

function signed(ns) {
  if (ns === null || ns === undefined) return "–";
  return `${ns > 0 ? "+" : ns < 0 ? "−" : ""}${Math.abs(ns / 1e9).toFixed(1)} s`;
}

function renderCompare(second, nameOf) {
  const levels = second.agreement || [];
  const level = (found) => make("div", { class: "level-figures" },
    levels.length > 1 ? make("h3", {}, `Level: ${found.level}`) : "",
    make("dl", { class: "figures" },
      ...FIGURE_NAMES.map(([key, name]) => make("div", {}, make("dt", {}, name), make("dd", {}, figure(found[key], key === "edit" ? 0 : 2)))),
      ...found.edges.map((edge) => make("div", {}, make("dt", {}, `Edges within ${edge.tolerance_s} s`),
        make("dd", {}, edge.agreement === null ? "–" : `${(100 * edge.agreement).toFixed(0)} %`)))),
    make("table", {}, make("caption", {}, `Step by step: theirs less yours`),
      make("thead", {}, make("tr", {}, ...["Step", "Overlap", "Start", "End"].map((text, i) =>
        make("th", { scope: "col", class: i ? "n" : null }, text)))),
      make("tbody", {}, ...found.steps.map((step) => make("tr", {},
        make("th", { scope: "row" }, nameOf(step.step)), make("td", { class: "n" }, figure(step.dice)),
        make("td", { class: "n" }, signed(step.start_ns)), make("td", { class: "n" }, signed(step.end_ns)))))));
  byId("compare").replaceChildren(
    make("div", { class: "panel-head" }, make("h2", { id: "compare-name" }, `You and ${second.name}`)),
    make("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Agreement" },
      levels.length ? "" : make("p", { class: "soft" }, "Nothing to compare yet."), ...levels.map(level)));
}
