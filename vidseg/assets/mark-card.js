"use strict";
/* The card of steps: each with its key, its colour, and how often it is marked; filtered by typing.

   makeCard(desk) with desk = { deeds, procedure, looks, memory, press(code, when), keysChanged() }
   gives { keyOf(code), stepOf(key), render(rows, at), take(event) }. */

const GROUP_NAMES = [
  ["step", "Steps"], ["task", "Tasks"], ["phase", "Phases"], ["excluded", "Excluded from the times"],
  ["event", "Events (with Shift)"],
];

function makeCard(desk) {
  const { steps } = desk.procedure;
  const filter = byId("filter"), groups = byId("card-groups"), change = byId("keys-change");
  let keys = new Map(), byKey = new Map(), changing = false, waitingFor = null;
  const items = new Map();

  function chooseAll() {
    keys = chooseKeys(steps, desk.memory.read());
    byKey = new Map([...keys].map(([code, key]) => [key, code]));
  }
  chooseAll();

  for (const [kind, name] of GROUP_NAMES) {
    const list = steps.filter((step) => step.kind === kind);
    if (!list.length) continue;
    const box = make("div", { class: "keys-of", role: "group", "aria-label": name }, make("h3", {}, name));
    for (const step of list) {
      const item = button("", { class: "step", tabindex: "-1" }, (event) => chosen(step, event));
      item.dataset.code = step.code;
      items.set(step.code, item);
      box.append(item);
    }
    groups.append(box);
  }

  function chosen(step, event) {
    stopAt(items.get(step.code));
    if (changing) wait(step);
    else desk.press(step.code, event.timeStamp);
  }

  function wait(step) {
    waitingFor = step;
    told(`Press the new key for ${step.name}; Delete for none, Esc to leave it.`);
    items.get(step.code).focus();
  }

  function told(text) {
    byId("keys-told").hidden = !changing;
    byId("keys-told").replaceChildren(text, " ", ...(changing
      ? [button("Own choice again", { class: "jump" }, forget)] : []));
  }

  function forget() {
    desk.memory.forget();
    chooseAll();
    desk.keysChanged();
    tell("Keys are chosen from the names again");
  }

  /* While the keys are being changed: takes the key event, and says whether it was one for it. */
  function take(event) {
    if (!changing || !waitingFor) return false;
    if (["Tab", "Shift", "Control", "Alt", "Meta"].includes(event.key)) return false;
    event.preventDefault();
    const step = waitingFor;
    const key = stepKey(event), none = event.key === "Delete" || event.key === "Backspace";
    if (event.key !== "Escape") {
      const event_ = step.kind === "event";
      if (!none && !key) return told("Only letters and 5 to 0 can be a step's key."), true;
      const shaped = event_ && /[a-z]/.test(key) ? key.toUpperCase() : key;
      const own = desk.memory.read();
      for (const code of Object.keys(own)) if (own[code] === shaped) delete own[code];
      own[step.code] = none ? "" : shaped;
      desk.memory.write(own);
      chooseAll();
      desk.keysChanged();
      tell(none ? `${step.name} has no key` : `${step.name} has the key ${keyWords(shaped)}`);
    }
    waitingFor = null;
    told("Choose a step, then press its new key. Remembered by this browser while the address stays the same.");
    return true;
  }

  change.addEventListener("click", () => {
    changing = !changing;
    waitingFor = null;
    change.setAttribute("aria-pressed", String(changing));
    told("Choose a step, then press its new key. Remembered by this browser while the address stays the same.");
  });

  const fits = (step, text) =>
    [step.name, step.code, ...step.aliases].some((label) => label.toLowerCase().includes(text));
  const visible = () => [...items].filter(([, item]) => !item.hidden).map(([, item]) => item);

  function stopAt(item) {
    for (const other of items.values()) other.tabIndex = -1;
    if (item) item.tabIndex = 0;
  }

  function sift() {
    const text = filter.value.trim().toLowerCase();
    for (const step of steps) items.get(step.code).hidden = Boolean(text) && !fits(step, text);
    for (const box of groups.children) box.hidden = ![...box.querySelectorAll(".step")].some((s) => !s.hidden);
    stopAt(visible()[0]);
  }
  filter.addEventListener("input", sift);
  filter.addEventListener("keydown", (event) => {
    if (event.key === "Escape") {
      filter.value = "";
      sift();
      byId("stage").focus();
    } else if (event.key === "Enter" && visible()[0]) {
      desk.press(visible()[0].dataset.code, event.timeStamp);
      filter.value = "";
      sift();
      byId("stage").focus();
    } else if (event.key === "ArrowDown" && visible()[0]) visible()[0].focus();
    else return;
    event.preventDefault();
    event.stopPropagation();
  });
  groups.addEventListener("keydown", (event) => {
    if (changing && waitingFor) return;
    const list = visible(), i = list.indexOf(event.target.closest(".step"));
    const next = { ArrowDown: i + 1, ArrowUp: i - 1, Home: 0, End: list.length - 1 }[event.key];
    if (i < 0 || next === undefined || event.shiftKey || event.ctrlKey) return;
    event.preventDefault();
    if (!list[next]) return;
    stopAt(list[next]);
    list[next].focus();
  });
  sift();

  function render(rows, at) {
    const all = [...rows.values()].filter((row) => !row.draft);
    for (const step of steps) {
      const item = items.get(step.code), key = keys.get(step.code);
      const visits = all.filter((row) => row.label === step.code);
      const runs = visits.some((row) => desk.deeds.isRunning(row));
      const here = runs || visits.some((row) => desk.deeds.covers(row, at));
      const words = [runs ? "running" : "", visits.length ? `marked ${visits.length === 1 ? "once" : `${visits.length} times`}` : "",
        step.required && !visits.length ? "must be marked" : ""].filter(Boolean).join(", ");
      const signature = [key, here, words].join("|");
      if (item.dataset.signature === signature) continue;
      item.dataset.signature = signature;
      item.className = `step${here ? " here" : ""}`;
      item.setAttribute("aria-pressed", String(here));
      const count = make("span", { class: "count soft", "aria-hidden": "true" },
        visits.length ? `×${visits.length}` : step.required ? "needed" : "");
      item.replaceChildren(make("kbd", {}, key ? keyText(key) : "–"),
        make("span", { class: `dot ${desk.looks(step.code)}`, "aria-hidden": "true" }),
        make("span", { class: "step-name" }, step.name), count,
        make("span", { class: "unseen" }, words ? `, ${words}` : ""));
    }
  }

  return {
    keyOf: (code) => keys.get(code) || "",
    stepOf: (key) => byKey.get(key),
    render,
    take,
  };
}
