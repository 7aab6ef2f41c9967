"use strict";
/* The rows as a list with their problems, and the editor of the chosen one.

   makeList(desk) with desk = { deeds, procedure, show, looks, keyOf, state, choose, hold, act,
   rows() } gives { render(problems, missing), note() }: note() goes to the note of the chosen row. */

function makeList(desk) {
  const { deeds } = desk;
  const list = byId("rows"), editor = byId("editor");
  let shownEditor = "";

  const severityWords = { error: "Error", warning: "Warning", note: "Note" };

  function times(row) {
    if (row.start_ns === null) return "no time";
    const start = row.open_start ? "before" : desk.show(row.start_ns, 1);
    if (deeds.isEvent(row)) return start;
    const end = row.open_end ? "after" : row.end_ns === null ? "…" : desk.show(row.end_ns, 1);
    return `${start} – ${end}`;
  }

  function option(row, problems) {
    const key = desk.keyOf(row.label);
    const length = deeds.isEvent(row) || row.end_ns === null || row.start_ns === null
      ? "" : desk.show(row.end_ns - row.start_ns, 1);
    const element = make("div", {
      class: `row${row.draft ? " to-confirm" : ""}`, role: "option", tabindex: "-1",
      "aria-selected": String(row.id === desk.state.chosen),
    },
    chip(desk.looks(row.label), key ? keyText(key) : "·"),
    make("span", { class: "row-name" }, deeds.nameOf(row.label),
      row.draft ? make("span", { class: "tag" }, "draft") : null,
      deeds.isRunning(row) ? make("span", { class: "tag live" }, "running") : null),
    make("span", { class: "row-length" }, length),
    make("span", { class: "row-times soft" }, times(row)),
    row.note ? make("span", { class: "row-note soft" }, row.note) : null,
    ...problems.map((problem) => make("span", { class: `row-problem ${problem.severity}` },
      make("b", {}, `${severityWords[problem.severity]}: `), problem.message)));
    element.dataset.id = row.id;
    return element;
  }

  list.addEventListener("click", (event) => {
    const row = event.target.closest("[data-id]");
    if (row) desk.choose(row.dataset.id, { go: true });
  });
  list.addEventListener("keydown", (event) => {
    const all = [...list.querySelectorAll(".row")];
    const i = all.indexOf(event.target.closest(".row"));
    const next = { ArrowDown: i + 1, ArrowUp: i - 1 }[event.key];
    if (i < 0 || next === undefined || event.shiftKey || event.ctrlKey) return;
    event.preventDefault();
    if (!all[next]) return;
    desk.choose(all[next].dataset.id, { go: true });
    focus(all[next].dataset.id);
  });

  function focus(id) {
    const element = [...list.querySelectorAll(".row")].find((row) => row.dataset.id === id);
    if (element) element.focus();
  }

  function render(problems, missing) {
    const focused = document.activeElement?.closest?.("#rows .row")?.dataset.id;
    const rows = inOrder(desk.rows());
    const own = new Map();
    for (const problem of problems) {
      /* A running step has no end yet; the row says so, and so does the question at the end. */
      if (problem.code === "no-end" && problem.row) continue;
      if (problem.row) own.set(problem.row, [...(own.get(problem.row) || []), problem]);
    }
    const loose = problems.filter((problem) => !problem.row && problem.code !== "required-step-missing");
    list.replaceChildren(...rows.map((row) => option(row, own.get(row.id) || [])));
    if (!rows.length) {
      list.append(make("div", { class: "empty soft", role: "option", "aria-selected": "false", tabindex: "0" },
        "Nothing is marked yet. Play, and press a step's key when it begins."));
    }
    const drafts = rows.filter((row) => row.draft);
    byId("list-count").textContent = rows.length ? `${rows.length}` : "";
    byId("missing").hidden = !missing.length && !loose.length;
    byId("missing").replaceChildren(
      ...(missing.length ? [make("span", {}, make("b", {}, "Still needed: "), missing.map(deeds.nameOf).join(", "))] : []),
      ...loose.map((problem) => make("span", { class: problem.severity },
        make("b", {}, `${severityWords[problem.severity]}: `), problem.message)));
    byId("draft-bar").hidden = !drafts.length;
    if (drafts.length) {
      byId("draft-bar").replaceChildren(make("span", {}, make("b", {}, `${drafts.length} draft row${drafts.length === 1 ? "" : "s"}`), " to confirm"),
        button("To the first", {}, () => desk.choose(drafts[0].id, { go: true })));
    }
    const chosen = list.querySelector("[aria-selected='true']") || list.firstElementChild;
    if (chosen) chosen.tabIndex = 0;
    if (focused) focus(focused);
    renderEditor();
    const current = list.querySelector("[aria-selected='true']");
    if (current) keepInView(current);
  }

  /* Scrolls the list alone, never the page. */
  function keepInView(element) {
    const box = list.getBoundingClientRect(), item = element.getBoundingClientRect();
    if (item.top < box.top || item.bottom > box.bottom) list.scrollTop += item.top - box.top - box.height / 3;
  }

  function edgeButton(row, side) {
    const event = deeds.isEvent(row);
    const at = side === "start" ? row.start_ns : row.end_ns;
    const name = event ? "At" : side === "start" ? "Start" : "End";
    const held = desk.state.held === side;
    return button("", { class: "edge", "aria-pressed": String(held), title: `Take hold of it (${side === "start" ? "Home" : "End"})` },
      () => desk.hold(row.id, side)).appendChild(make("span", {}, make("b", {}, name), ` ${at === null ? "running" : desk.show(at, 3)}`)).parentNode;
  }

  function openButtons(row) {
    return [["start", "Began before the recording"], ["end", "Goes on after the recording"]]
      .filter(([side]) => deeds.mayBeOpen(row, side))
      .map(([side, text]) => button(text, { class: "open-edge", "aria-pressed": String(row[`open_${side}`]) },
        () => desk.act("open", side)));
  }

  function renderEditor() {
    const row = desk.rows().get(desk.state.chosen);
    editor.hidden = !row;
    const signature = row ? JSON.stringify([plainRow(row), desk.state.held]) : "";
    if (signature === shownEditor) return;
    const active = document.activeElement;
    const writing = editor.contains(active) ? active.dataset.part || active.textContent : null;
    const text = writing === "note" && active.value;
    const sameOne = editor.dataset.id === (row ? row.id : "");
    shownEditor = signature;
    editor.dataset.id = row ? row.id : "";
    if (!row) return;
    const told = new Map(row.attributes);
    const why = ["confidence", "evidence"].filter((name) => told.get(name)).map((name) => `${name} ${told.get(name)}`).join("; ");
    const select = make("select", { "aria-label": "Step", onchange: (event) => desk.act("relabel", event.target.value) });
    select.dataset.part = "step";
    const known = desk.procedure.steps.some((step) => step.code === row.label);
    for (const step of [...(known ? [] : [{ code: row.label, name: row.label }]), ...desk.procedure.steps]) {
      select.append(make("option", { value: step.code, selected: step.code === row.label }, step.name));
    }
    const note = make("input", {
      type: "text", placeholder: "Note", "aria-label": "Note", value: row.note, autocomplete: "off",
      onchange: (event) => desk.act("annotate", event.target.value.trim(), row.id),
      onkeydown: (event) => {
        if (event.key === "Enter") byId("stage").focus();
        if (event.key === "Escape") {
          event.target.value = row.note;
          byId("stage").focus();
        }
      },
    });
    note.dataset.part = "note";
    const event = deeds.isEvent(row);
    const placed = row.start_ns !== null;
    editor.replaceChildren(
      ...(row.draft ? [make("p", { class: "why", title: why }, make("b", {}, "Draft. "), why),
        make("p", { class: "decide" },
          button("Confirm", { class: "yes", title: "Confirm (Enter)" }, () => desk.act("confirm")),
          button("Reject", { title: "Reject (Del)" }, () => desk.act("reject")))] : []),
      make("p", { class: "edges" }, ...(placed ? [edgeButton(row, "start"), event ? null : edgeButton(row, "end")].filter(Boolean) : [])),
      ...openButtons(row),
      make("p", { class: "fields" }, select, note),
      make("p", { class: "deeds" },
        ...(event || !placed ? [] : [button("Split here", { title: "Split at this frame (/)" }, () => desk.act("split")),
          button("Join next", { title: "Join with the next visit (+)" }, () => desk.act("join"))]),
        button("Snap", { title: "Move the held edge to where the picture changes most (!)" }, () => desk.act("snap")),
        ...(row.draft ? [] : [button("Delete", { title: "Delete this row (Del)" }, () => desk.act("remove"))])));
    if (writing !== null) {
      const again = [...editor.querySelectorAll("button, input, select")]
        .find((one) => (one.dataset.part || one.textContent) === writing);
      if (again) again.focus();
      else byId("stage").focus();
      if (text && sameOne && again) again.value = text;
    }
  }

  return { render, note: () => editor.querySelector("[data-part='note']")?.focus() };
}
