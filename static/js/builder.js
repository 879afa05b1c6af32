// The grid: moving, marking, typing, pasting, undoing. The server turns each act into edits, keeps them,
// and sends back the grid and what it means; an act that could not be sent stays on this device until it can.
"use strict";
(() => {
  const bench = document.querySelector(".bench");
  if (!bench) return;
  const block = bench.dataset.block, draft = bench.dataset.draft === "yes";
  const csrf = JSON.parse(document.body.getAttribute("hx-headers"))["X-CSRF"];
  const grid = document.getElementById("grid"), panel = document.getElementById("panel");
  const saved = document.getElementById("saved");
  const key = `terrace-acts-${block}`;
  let version = Number(bench.dataset.version), pending = [], undo = [], redo = [];
  let at = { line: 0, week: 0 }, mark = null, editing = null, sending = false;
  let queue = [];
  const waiting = [];  // forms that were sent while something was still being saved
  try { queue = JSON.parse(localStorage.getItem(key) || "[]"); } catch { queue = []; }

  const rows = () => [...grid.querySelectorAll("tr[data-row]")];
  const cell = (line, week) => rows()[line]?.querySelector(`td[data-week="${week}"]`);
  // Week -1 is the column of exercise names, as it is for pasting.
  const control = (line, week) => week < 0 ? rows()[line]?.querySelector("button.exercise") : cell(line, week)?.querySelector("input");
  const size = () => ({ lines: rows().length, weeks: grid.querySelectorAll("thead th[data-week]").length });
  const clamp = (value, most, least = 0) => Math.max(least, Math.min(value, most));
  const rect = () => {
    const other = mark ?? at;
    return { top: Math.min(at.line, other.line), left: Math.min(at.week, other.week), bottom: Math.max(at.line, other.line), right: Math.max(at.week, other.week) };
  };
  const inside = () => { const area = rect(); return { ...area, left: Math.max(0, area.left) }; };  // without the names

  function show(focus = true) {
    const area = rect();
    rows().forEach((row, line) => row.querySelectorAll("td").forEach((td) => {
      const week = Number(td.dataset.week);
      const inside = mark !== null && line >= area.top && line <= area.bottom && week >= area.left && week <= area.right;
      td.setAttribute("aria-selected", String(inside));
      td.querySelector("input").tabIndex = -1;
    }));
    grid.querySelectorAll("button.exercise").forEach((button) => { button.tabIndex = -1; });
    const here = control(at.line, at.week) ?? grid.querySelector("[data-act='add row']");
    if (here) here.tabIndex = 0;
    if (focus && here) here.focus({ preventScroll: false });
  }
  function move(lines, weeks, extend) {
    const most = size();
    if (extend) mark ??= { ...at }; else mark = null;
    at = { line: clamp(at.line + lines, most.lines - 1), week: clamp(at.week + weeks, most.weeks - 1, -1) };
    show();
  }
  function edit(text) {
    const input = cell(at.line, at.week)?.querySelector("input");
    if (!input) return;
    editing = { input, before: input.value };
    input.readOnly = false;
    if (text !== undefined) input.value = text;
    input.focus();
    input.setSelectionRange(input.value.length, input.value.length);
  }
  function leave(keep) {
    if (!editing) return;
    const { input, before } = editing;
    editing = null;
    input.readOnly = true;
    if (!keep) { input.value = before; return; }
    if (input.value.trim() !== before.trim()) {
      input.closest("td").classList.add("waiting");
      act({ do: "set", row: input.closest("tr").dataset.row, week: Number(input.closest("td").dataset.week), text: input.value });
    }
  }

  // Sending ------------------------------------------------------------------------------------------
  function act(what, kind = "new", then = null) {
    queue.push({ act: what, kind, then });  // then: where to stand once it is done
    keep();
    send();
  }
  function keep() {
    try { queue.length ? localStorage.setItem(key, JSON.stringify(queue)) : localStorage.removeItem(key); } catch { /* Full or forbidden: the page still holds them. */ }
  }
  async function send() {
    if (sending || !queue.length) return;
    sending = true;
    const next = queue[0];
    say("Saving …");
    let answer, body;
    try {
      answer = await fetch(`/blocks/${block}/do`, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-CSRF": csrf, Accept: "application/json" },
        body: JSON.stringify({ act: next.act, version, pending }),
      });
      body = await answer.json();
    } catch {
      sending = false;
      say(`No connection. ${queue.length} change${queue.length === 1 ? " is" : "s are"} kept on this device and sent again by itself.`, true);
      setTimeout(send, 3000);
      return;
    }
    sending = false;
    if (answer.status === 503) { say("The server is busy. Sent again in a moment.", true); setTimeout(send, 3000); return; }
    queue.shift();
    keep();
    if (!answer.ok) {
      grid.querySelectorAll("td.waiting").forEach((td) => td.classList.remove("waiting"));
      say(body.refused ?? body.detail ?? "That was not done. Load the page again.", true);
      if (answer.status === 409) {
        // What was typed is offered again over their version, after the page was loaded anew.
        try { localStorage.setItem(`${key}-again`, JSON.stringify([next, ...queue])); } catch { /* The cells below still show it. */ }
        queue = []; keep();
        document.querySelector("[data-do=reload]").hidden = false;
      }
      return;
    }
    version = body.version;
    pending = body.pending;
    document.querySelectorAll("[data-version]").forEach((input) => { if (input.matches("input")) input.value = version; });
    if (body.inverse.length) {
      const step = { edits: body.inverse, label: body.label };
      if (next.kind === "undo") redo.push(step);
      else { undo.push(step); if (next.kind === "new") redo = []; }
    }
    if (next.then) at = next.then;
    draw(body);
    const left = body.left_out ? ` ${body.left_out} pasted cells found no place.` : "";
    say((draft ? `Saved${body.label ? ` after ${body.label}` : ""}.` : pending.length ? "Waits to be applied." : "Nothing changed.") + left);
    const form = document.getElementById("apply");
    if (form) { form.hidden = !pending.length; form.elements.pending.value = JSON.stringify(pending); }
    document.querySelector("[data-do=undo]").disabled = !undo.length;
    document.querySelector("[data-do=redo]").disabled = !redo.length;
    if (queue.length) send(); else waiting.splice(0).forEach((go) => go());
  }
  function say(words, loud) { saved.textContent = words; saved.classList.toggle("act", Boolean(loud)); }
  function draw(body) {
    const inGrid = grid.contains(document.activeElement) || document.activeElement === document.body;
    const typing = editing && { line: at.line, week: at.week, value: editing.input.value };
    const { scrollLeft, scrollTop } = grid;
    editing = null;
    grid.innerHTML = body.grid;
    panel.innerHTML = body.panel;
    const most = size();
    at = { line: clamp(at.line, Math.max(0, most.lines - 1)), week: clamp(at.week, Math.max(0, most.weeks - 1), -1) };
    grid.scrollLeft = scrollLeft; grid.scrollTop = scrollTop;
    show(inGrid);
    if (typing) edit(typing.value);
  }

  // Keys ---------------------------------------------------------------------------------------------
  const take = (stack, kind) => { const step = stack.pop(); if (step) act({ do: "edits", edits: step.edits, label: step.label }, kind); };
  grid.addEventListener("keydown", (event) => {
    const ctrl = event.ctrlKey || event.metaKey, name = event.key, letter = event.altKey && !ctrl ? name.toLowerCase() : "";
    const session = event.target.closest("tbody")?.dataset.session;
    if (letter === "n" && session) { event.preventDefault(); addRow(session); return; }
    if (letter === "s" && session) { event.preventDefault(); act({ do: "duplicate session", session }); return; }
    if (letter === "a") { event.preventDefault(); document.querySelector("[data-do=assign], #why")?.focus(); return; }
    const input = event.target.closest("td input, button.exercise");
    if (!input) return;
    if (editing) {
      if (name === "Enter") { event.preventDefault(); leave(true); move(event.shiftKey ? -1 : 1, 0); }
      else if (name === "Tab") { event.preventDefault(); leave(true); move(0, event.shiftKey ? -1 : 1); }
      else if (name === "Escape") { event.preventDefault(); leave(false); show(); }
      return;
    }
    const row = input.closest("tr").dataset.row, week = Number(input.closest("td")?.dataset.week ?? -1);
    const most = size();
    const jump = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[name];
    if (jump && event.altKey && !jump[1]) { event.preventDefault(); at.line = clamp(at.line + jump[0], most.lines - 1); act({ do: "move row", row, by: jump[0] }); }
    else if (jump) { event.preventDefault(); move(ctrl ? jump[0] * most.lines : jump[0], ctrl ? jump[1] * most.weeks : jump[1], event.shiftKey); }
    else if (name === "Home") { event.preventDefault(); move(ctrl ? -most.lines : 0, -at.week, event.shiftKey); }
    else if (name === "End") { event.preventDefault(); move(ctrl ? most.lines : 0, most.weeks, event.shiftKey); }
    else if (name === "Tab" && !event.shiftKey && (at.week < most.weeks - 1)) { event.preventDefault(); move(0, 1); }
    else if (name === "Tab" && event.shiftKey && at.week > -1) { event.preventDefault(); move(0, -1); }
    else if (letter === "m" || (week < 0 && (name === "Enter" || name === "F2"))) { event.preventDefault(); openMenu(row); }
    else if (name === "Escape") { mark = null; show(); }
    else if (letter === "1") { event.preventDefault(); panel.querySelector("[data-remedy]")?.click(); }
    else if (ctrl && name.toLowerCase() === "a") { event.preventDefault(); at = { line: 0, week: 0 }; mark = { line: most.lines - 1, week: most.weeks - 1 }; show(); }
    else if (week < 0) return;
    else if (letter === "w") { event.preventDefault(); act({ do: "duplicate week", week }); }
    else if (name === "Enter" || name === "F2") { event.preventDefault(); edit(); }
    else if (name === "Delete" || name === "Backspace") { event.preventDefault(); act({ do: "clear", ...inside() }); }
    else if (ctrl && name.toLowerCase() === "d") { event.preventDefault(); act({ do: "fill down", ...inside() }); }
    else if (ctrl && name.toLowerCase() === "r") { event.preventDefault(); act({ do: "fill right", ...inside() }); }
    else if (name.length === 1 && !ctrl && !event.altKey) { event.preventDefault(); edit(name); }
  });
  document.addEventListener("keydown", (event) => {
    if (editing || !(event.ctrlKey || event.metaKey) || event.target.matches("input:not([readonly]), textarea")) return;
    if (event.key.toLowerCase() === "z" && !event.shiftKey) { event.preventDefault(); take(undo, "undo"); }
    else if (event.key.toLowerCase() === "y" || (event.key.toLowerCase() === "z" && event.shiftKey)) { event.preventDefault(); take(redo, "redo"); }
  });
  grid.addEventListener("mousedown", (event) => {
    const td = event.target.closest("td[data-week]");
    if (!td) return;
    const line = rows().indexOf(td.closest("tr")), week = Number(td.dataset.week);
    if (editing && editing.input !== td.querySelector("input")) leave(true);
    if (event.shiftKey) { mark ??= { ...at }; } else mark = null;
    at = { line, week };
    setTimeout(() => show(!editing), 0);
  });
  grid.addEventListener("dblclick", (event) => { if (event.target.closest("td[data-week]")) edit(); });
  grid.addEventListener("focusout", (event) => { if (editing && event.target === editing.input && !grid.contains(event.relatedTarget)) leave(true); });
  grid.addEventListener("focusin", (event) => {
    const td = event.target.closest("td[data-week]"), name = event.target.closest("button.exercise");
    if (name && !editing) at = { line: rows().indexOf(name.closest("tr")), week: -1 };
    if (td && !editing) at = { line: rows().indexOf(td.closest("tr")), week: Number(td.dataset.week) };
  });

  // The clipboard: tab-separated text, quoted as spreadsheets quote it ---------------------------------
  const quoted = (text) => (/["\t\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
  function copied() {
    const area = rect(), lines = [];
    for (let line = area.top; line <= area.bottom; line += 1) {
      const texts = [];
      for (let week = area.left; week <= area.right; week += 1) {
        const here = control(line, week);
        texts.push(quoted(week < 0 ? here.textContent.trim() : here.value || here.placeholder));
      }
      lines.push(texts.join("\t"));
    }
    return lines.join("\n");
  }
  const inCell = (event) => !editing && (event.target.closest?.("#grid td, #grid button.exercise") || (grid.contains(event.target) && !size().lines));
  document.addEventListener("copy", (event) => { if (inCell(event)) { event.preventDefault(); event.clipboardData.setData("text/plain", copied()); say("Copied."); } });
  document.addEventListener("cut", (event) => { if (inCell(event)) { event.preventDefault(); event.clipboardData.setData("text/plain", copied()); act({ do: "clear", ...inside() }); } });
  document.addEventListener("paste", (event) => {
    if (!inCell(event)) return;
    event.preventDefault();
    const text = event.clipboardData.getData("text/plain"), area = rect();
    // An empty grid has no row to paste into: a first column of names makes them.
    if (text) act({ do: "paste", line: area.top, week: size().lines ? area.left : -1, text });
  });

  // Buttons, menus, fields ----------------------------------------------------------------------------
  function addRow(session) {
    const dialog = document.createElement("dialog");
    dialog.className = "menu";
    dialog.innerHTML = `<form method="dialog"><h2>Add an exercise</h2><label>Exercise <input name="exercise" list="exercise-names" maxlength="120" required autocomplete="off"></label><p class="row"><button class="primary" value="add">Add</button><button value="" formnovalidate>Leave it</button></p></form>`;
    document.body.append(dialog);
    dialog.addEventListener("close", () => {
      const name = dialog.querySelector("input").value.trim();
      dialog.remove();
      if (dialog.returnValue === "add" && name) {
        const mine = [...grid.querySelectorAll(`tbody[data-session="${session}"] tr[data-row]`)];
        const line = mine.length ? rows().indexOf(mine.at(-1)) + 1 : rows().length;
        act({ do: "add row", session, exercise: name }, "new", { line, week: 0 });
      }
      show();
    });
    dialog.showModal();
  }
  function openMenu(row) {
    const dialog = grid.querySelector(`dialog[data-for="${row}"]`);
    if (!dialog) return;
    fields(dialog);
    dialog.showModal();
    dialog.addEventListener("close", () => show(), { once: true });
  }
  function fields(dialog) {
    const chosen = dialog.querySelector("[data-rule-kind]").selectedOptions[0];
    dialog.querySelector(".fields").replaceChildren(...Object.entries(JSON.parse(chosen.dataset.fields)).map(([name, value]) => {
      const label = document.createElement("label");
      label.textContent = name.replaceAll("_", " ");
      const input = document.createElement("input");
      input.name = name; input.value = value; input.dataset.field = name;
      label.append(" ", input);
      return label;
    }));
  }
  const TEXT_FIELDS = new Set(["between", "load_percent", "sets_percent", "most"]);
  function ruleOf(dialog) {
    const kind = dialog.querySelector("[data-rule-kind]").value, rule = { rule: kind };
    for (const input of dialog.querySelectorAll("[data-field]")) {
      const name = input.dataset.field, text = input.value.trim().replace(",", ".");
      const decimal = TEXT_FIELDS.has(name) && !(name === "most" && kind === "add sets");
      const isStep = name === "step" && kind !== "add sets";
      rule[name] = decimal || isStep ? text : Number.isInteger(Number(text)) && text !== "" ? Number(text) : text;
    }
    return rule;
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    const data = button.dataset, dialog = button.closest("dialog.menu");
    if (data.do === "undo") take(undo, "undo");
    else if (data.do === "redo") take(redo, "redo");
    else if (data.do === "keys") { const keys = document.getElementById("keys"); keys.hidden = !keys.hidden; button.setAttribute("aria-expanded", String(!keys.hidden)); }
    else if (data.menu) openMenu(data.menu);
    else if (data.remedy) act({ do: "edits", edits: JSON.parse(data.remedy), label: data.label });
    else if (data.dropRule !== undefined) act({ do: "rules", row: dialog.dataset.for, rules: JSON.parse(dialog.dataset.rules).filter((_, n) => n !== Number(data.dropRule)) });
    else if (data.addRule !== undefined) act({ do: "rules", row: dialog.dataset.for, rules: [...JSON.parse(dialog.dataset.rules), ruleOf(dialog)] });
    else if (data.act === "add row") addRow(data.session);
    else if (data.act) {
      const what = { do: data.act };
      for (const name of ["week", "by"]) if (data[name] !== undefined) what[name] = Number(data[name]);
      for (const name of ["row", "session"]) if (data[name] !== undefined) what[name] = data[name];
      act(what);
    }
  });
  document.addEventListener("change", (event) => {
    const field = event.target, data = field.dataset;
    if (data.ruleKind !== undefined) fields(field.closest("dialog"));
    else if (data.rename) act({ do: "rename row", row: data.rename, exercise: field.value });
    else if (data.note !== undefined) act({ do: "note row", row: data.note, note: field.value });
    else if (data.sessionName) act({ do: "set session", session: data.sessionName, name: field.value });
    else if (data.sessionDay) act({ do: "set session", session: data.sessionDay, day: Number(field.value) });
    else if (data.head) act({ do: "head", [data.head]: field.value });
    else if (data.living) act({ do: "living", missed: document.querySelector("[data-living=missed]").value, effort: document.querySelector("[data-living=effort]").value });
    else if (data.step !== undefined) act({ do: "step", most: field.value.trim() });
  });
  document.addEventListener("submit", (event) => {
    if (!(sending || queue.length) || !event.target.querySelector("[data-version]")) return;
    event.preventDefault();
    waiting.push(() => event.target.requestSubmit(event.submitter));
  });
  document.addEventListener("click", (event) => {
    const what = event.target.closest("[data-do]")?.dataset.do, kept = document.getElementById("kept");
    if (what === "reload") location.assign(`/blocks/${block}`);
    else if (what === "again" || what === "forget") {
      const acts = JSON.parse(localStorage.getItem(`${key}-again`) || "[]");
      localStorage.removeItem(`${key}-again`);
      kept.hidden = true;
      if (what === "again") for (const one of acts) act(one.act);
      show();
    }
  });
  try {
    const acts = JSON.parse(localStorage.getItem(`${key}-again`) || "[]");
    if (acts.length) {
      document.getElementById("kept-count").textContent = acts.length === 1 ? "One change" : `${acts.length} changes`;
      document.getElementById("kept").hidden = false;
    }
  } catch { localStorage.removeItem(`${key}-again`); }
  window.addEventListener("online", send);
  window.addEventListener("beforeunload", (event) => { if (queue.length && !navigator.onLine) event.preventDefault(); });
  show(!document.querySelector(".errors"));
  if (queue.length) { say(`${queue.length} changes from before are being sent.`); send(); }
})();
