"use strict";
/* Elements made by script, and words said to those who do not see them. */

const byId = (id) => document.getElementById(id);

/* make("button", { class: "x", "aria-label": "y", onclick: f }, "text", child …) */
function make(tag, attributes, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") element.addEventListener(name.slice(2), value);
    else if (name === "value") element.value = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

const button = (text, attributes, action) =>
  make("button", { type: "button", ...attributes, onclick: action }, text);

function chip(look, text) {
  return make("span", { class: `chip ${look}`, "aria-hidden": "true" }, text);
}

/* Colour and pattern by the place in the vocabulary, as on the case page; phases stay plain. */
function stepLooks(steps) {
  const fine = steps.filter((step) => step.kind === "step" || step.kind === "task");
  const phases = steps.filter((step) => step.kind === "phase");
  const coloured = fine.length ? fine : phases;
  const looks = new Map(coloured.map((step, i) => [step.code, `c${i % 8} p${i % 5}`]));
  return (code) => looks.get(code) ||
    (steps.find((step) => step.code === code)?.kind === "excluded" ? "excluded" : "plain");
}

let toastOver = 0;

/* Say a short thing: in the live region, and for a moment on the picture. */
function tell(text) {
  if (!text) return;
  const live = byId("told"), toast = byId("toast");
  live.textContent = live.textContent === text ? `${text}\u00a0` : text;
  toast.textContent = text;
  toast.hidden = false;
  clearTimeout(toastOver);
  toastOver = setTimeout(() => (toast.hidden = true), 2500);
}
