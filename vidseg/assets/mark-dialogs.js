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

/* The file cannot be read any more: are the rows of this page to be written in its place? */
async function askToKeepOwn(file) {
  const take = await askUser({
    title: "Write your rows over the file?",
    body: [make("p", {}, `${file} was changed by another program and cannot be read. Your rows take its place; what it holds now is kept in a copy beside it.`)],
    choices: [["mine", "Write my rows"], ["wait", "Wait until it is mended", true]], escape: "wait",
  });
  if (take !== "mine") return;
  const answer = await askServer("outside", { choices: [{ id: "file", take }] }).catch(() => null);
  const data = answer ? await answer.json().catch(() => ({})) : {};
  if (!answer?.ok) tell(`Not written: ${data.trouble || "the server does not answer"}`);
}

/* Write a copy as CSV beside the annotation; asked before one is written over. */
async function saveAsCsv(replace = false) {
  const answer = await askServer("save-as", { format: "csv", replace }).catch(() => null);
  const data = answer ? await answer.json().catch(() => ({})) : {};
  if (answer?.ok) return tell([`Written: ${data.name}`, ...(data.told || [])].join(". "));
  if (answer?.status === 409 && data.exists) {
    const take = await askUser({
      title: `${data.exists} is there already`, body: [make("p", {}, "Write over it?")],
      choices: [["no", "Leave it", true], ["yes", "Write over it"]], escape: "no",
    });
    return take === "yes" ? saveAsCsv(true) : undefined;
  }
  return tell(`Not written: ${data.trouble || "the server does not answer"}`);
}

/* Ask whether marking is over, saying what is open, and end the server; true where it has ended. */
async function askToFinish({ file, waiting, trouble, drafts, running, missing }) {
  const lines = [
    waiting ? `${waiting} change${waiting === 1 ? " is" : "s are"} not saved yet.` : "",
    trouble ? `${file} does not hold everything: ${trouble}.` : waiting ? "" : `Everything is saved to ${file}.`,
    drafts ? `${drafts} draft row${drafts === 1 ? " is" : "s are"} not confirmed, and would be counted like the others.` : "",
    running.length ? `Still running, without an end: ${running.join(", ")}.` : "",
    missing.length ? `Still needed: ${missing.join(", ")}.` : "",
  ];
  const take = await askUser({
    title: "Finish marking?", body: lines.filter(Boolean).map((line) => make("p", {}, line)),
    choices: [["stop", "Finish and end the server"], ["stay", "Go on marking", true]], escape: "stay",
  });
  if (take !== "stop") return false;
  const answer = await askServer("stop", {}).catch(() => null);
  if (!answer?.ok) {
    tell("The server does not answer");
    return false;
  }
  askUser({
    title: "Finished", body: [make("p", {}, "The server has ended. This page may be closed.")],
    choices: [["close", "Close", true]],
  });
  return true;
}
