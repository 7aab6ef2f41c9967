"use strict";
/* One dialog for everything that must be asked or read: keys, two sides of a row, the end. */

/* Show a dialog; resolves with the value of the button pressed, or `escape` for Esc. Questions that
   come while one is open wait for it. */
let dialogLine = Promise.resolve();

function askUser({ title, body, choices, escape = null }) {
  const asked = dialogLine.then(() => new Promise((resolve) => {
    const dialog = byId("dialog");
    let answer = escape;
    const buttons = choices.map(([value, text, main]) =>
      button(text, { class: main ? "main" : null }, () => {
        answer = value;
        dialog.close();
      }));
    dialog.replaceChildren(make("h2", { id: "dialog-name" }, title), ...body,
      make("p", { class: "choices" }, ...buttons));
    dialog.addEventListener("close", () => resolve(answer), { once: true });
    dialog.showModal();
    (buttons.find((b) => b.classList.contains("main")) || buttons[0]).focus();
  }));
  dialogLine = asked.catch(() => {});
  return asked;
}

function showHelp(procedure, keyOf) {
  const box = (name, entries) => make("div", { class: "help-group" }, make("h3", {}, name),
    make("dl", {}, ...entries.map(([keys, text]) =>
      make("div", {}, make("dt", {}, ...keys.flatMap((key, i) => [i ? " " : "", make("kbd", {}, key)])), make("dd", {}, text)))));
  const steps = procedure.steps.filter((step) => keyOf(step.code));
  const scroll = make("div", { class: "help", tabindex: "0", role: "group", "aria-label": "All keys" },
    ...COMMANDS.map(([name, list]) => box(name, list.map(([, keys, text]) => [keys.map(showKey), text]))),
    box("Steps: begin, or end where it runs; ⇧ is Shift", steps.map((step) => [[keyText(keyOf(step.code))], step.name])));
  return askUser({
    title: "Keys",
    body: [make("p", { class: "soft" }, "A step's key marks the frame that is on the screen when it goes down. The step that runs ends there where the two may not overlap. Inside a marked row the key takes what is left of it. The same key again ends the step."), scroll],
    choices: [["close", "Close", true]],
  });
}

/* Two sides of one row: which is to stand? */
function askAbout({ mine, theirs }, words) {
  const side = (name, row) => make("div", { class: "side" }, make("h3", {}, name),
    make("p", {}, row ? words(row) : "deleted"), row && row.note ? make("p", { class: "soft" }, row.note) : "");
  return askUser({
    title: "This row was changed elsewhere too",
    body: [make("div", { class: "sides" }, side("Here", mine), side("Elsewhere", theirs))],
    choices: [["mine", "Keep mine", true], ["theirs", "Take the other"]],
    escape: "theirs",
  });
}
