// The lifter's phone. Every entry is stored on the phone first, then sent, and forgotten only when the
// server has answered with the same id. The page works without this script; with it, it works without a network.
"use strict";
(() => {
const page = document.body;
if (!page.dataset.lifter) return;
const $ = (id) => document.getElementById(id);
const lifter = Number(page.dataset.lifter);
const made = Number(page.dataset.made);
const KEEP_SAVED_MS = 3 * 86_400_000; // a kept page can be this much older than what was saved
const BATCH = 40;
let csrf = page.dataset.csrf;
page.classList.add("has-script");

// What is stored on the phone ------------------------------------------------------------------------
const items = new Map();
const SHELF = "terrace-writes";
let database = null;

function openDatabase() {
  return new Promise((resolve) => {
    setTimeout(() => resolve(null), 3000); // some browsers never answer; the other shelf is as good
    try {
      const opening = indexedDB.open("terrace", 1);
      opening.onupgradeneeded = () => opening.result.createObjectStore("writes", { keyPath: "id" });
      opening.onsuccess = () => resolve(opening.result);
      opening.onerror = () => resolve(null);
    } catch { resolve(null); }
  });
}
function inDatabase(mode, act) {
  return new Promise((resolve, reject) => {
    const change = database.transaction("writes", mode, { durability: "strict" });
    const asked = act(change.objectStore("writes"));
    change.oncomplete = () => resolve(asked && asked.result);
    change.onabort = change.onerror = () => reject(change.error);
  });
}
const shelved = () => { try { return JSON.parse(localStorage.getItem(SHELF) || "[]"); } catch { return []; } };
async function load() {
  database = database || await openDatabase();
  const found = [...shelved(), ...(database ? await inDatabase("readonly", (s) => s.getAll()) : [])];
  for (const one of found) if (!items.has(one.id) || !items.get(one.id).answer) items.set(one.id, one);
}
async function keep(...changed) {
  for (const one of changed) items.set(one.id, one);
  if (database) await inDatabase("readwrite", (s) => { changed.forEach((one) => s.put(one)); });
  else localStorage.setItem(SHELF, JSON.stringify([...items.values()]));
}
async function forget(...ids) {
  ids.forEach((id) => items.delete(id));
  if (database) await inDatabase("readwrite", (s) => { ids.forEach((id) => s.delete(id)); });
  const left = shelved().filter((one) => !ids.includes(one.id));
  localStorage.setItem(SHELF, JSON.stringify(left));
}
const mine = () => [...items.values()].filter((one) => one.lifter === lifter).sort((a, b) => a.order - b.order);
const waiting = () => mine().filter((one) => one.state === "waiting");

function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return btoa(String.fromCharCode(...bytes)).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
}
function make(kind, fields) {
  const now = new Date();
  const order = Math.max(Number(localStorage.getItem("terrace-order") || 0), ...mine().map((one) => one.order)) + 1;
  localStorage.setItem("terrace-order", String(order));
  const write = { kind, ...fields, at: now.getTime(), offset: -now.getTimezoneOffset() || 0, zone };
  return { id: newId(), lifter, order, state: "waiting", tried: 0, why: "", answer: null, write };
}
const zone = (() => { try { return Intl.DateTimeFormat().resolvedOptions().timeZone || null; } catch { return null; } })();
if (zone) document.cookie = `terrace_zone=${zone}; path=/; max-age=31536000; samesite=lax`;

// Sending --------------------------------------------------------------------------------------------
let sending = false, asked = false, trouble = "";
async function flush() {
  asked = true;
  if (sending) return;
  sending = true;
  try { while (asked) { asked = false; await sendAll(); } } catch (error) { trouble = ""; throw error; }
  finally { sending = false; render(); }
}
async function post(batch) {
  const stop = new AbortController();
  const late = setTimeout(() => stop.abort(), 20_000);
  try {
    const response = await fetch("/sync", {
      method: "POST", signal: stop.signal, credentials: "same-origin", redirect: "error",
      headers: { "Content-Type": "application/json", Accept: "application/json", "X-CSRF": csrf },
      body: JSON.stringify({ lifter, sent_at: Date.now(),
        writes: batch.map((one) => ({ id: one.id, order: one.order, ...one.write })) }),
    });
    // A hotel's or gym's sign-in page answers 200 with HTML: only the expected answer counts.
    const said = (response.headers.get("Content-Type") || "").includes("json") ? await response.json() : null;
    return { status: response.status, said };
  } catch { return null; } finally { clearTimeout(late); }
}
async function renew() {
  try {
    const response = await fetch("/sync", { headers: { Accept: "application/json" }, credentials: "same-origin" });
    const said = response.ok && await response.json();
    if (!said || said.lifter !== lifter || said.csrf === csrf) return false;
    csrf = said.csrf;
    return true;
  } catch { return false; }
}
async function sendAll() {
  let size = BATCH, renewed = false;
  for (;;) {
    const batch = waiting().slice(0, size);
    if (!batch.length) { trouble = ""; return; }
    // What surely cannot leave the phone stays untried, so that undoing and changing it is nobody else's business.
    if (navigator.onLine === false) { trouble = "offline"; return; }
    const fresh = batch.filter((one) => !one.tried);
    fresh.forEach((one) => { one.tried = 1; });
    if (fresh.length) await keep(...fresh);
    const answer = await post(batch);
    if (!answer || !answer.said) { trouble = "offline"; return; }
    const { status, said } = answer;
    if (status === 401) { trouble = "ended"; return; }
    if (status === 403 && !renewed) { renewed = true; if (await renew()) continue; }
    if (!Array.isArray(said.answers)) {
      if (status >= 500 || status === 403 || status === 408 || status === 429) { trouble = "busy"; return; }
      if (batch.length > 1) { size = 1; continue; } // find the one that cannot be read
      Object.assign(batch[0], { state: "refused", why: said.detail || "The server could not read it." });
      await keep(batch[0]);
      continue;
    }
    const byId = new Map(batch.map((one) => [one.id, one]));
    const changed = [];
    for (const one of said.answers) {
      const item = byId.get(one && one.id);
      if (!item || one.state === "later") continue;
      item.state = one.state === "refused" ? "refused" : "saved";
      item.why = one.why || "";
      item.answer = { ...one, at: said.at };
      changed.push(item);
    }
    if (!changed.length) { trouble = "busy"; return; }
    await keep(...changed);
    for (const one of changed) if (one.state === "refused") await passOn(one);
    trouble = "";
    render();
  }
}

// What was built upon a refused entry can never be stored: the last word about the set takes the refusal over.
async function passOn(refused) {
  const next = waiting().find((one) => one.write.of === refused.id);
  if (!next) return;
  if (refused.write.kind === "set") {
    if (next.write.kind === "amend") {
      const { load, unit: in_, reps, rpe, failed, note, seconds, metres } = next.write;
      Object.assign(refused.write, { load, unit: in_, reps, rpe, failed, note, seconds, metres });
      await keep(refused);
      for (const one of waiting()) if (one.write.of === next.id) { one.write.of = refused.id; await keep(one); }
      await forget(next.id);
      return passOn(refused);
    }
    if (next.write.kind === "remove") return forget(refused.id, next.id);
  }
  Object.assign(next, { state: "refused", why: refused.why, answer: { ...refused.answer, id: next.id } });
  await keep(next);
  if (refused.write.kind !== "set") await forget(refused.id);
  return passOn(next);
}

// The session on the page ----------------------------------------------------------------------------
const isSession = page.dataset.page === "session";
const kits = isSession && $("kits") ? JSON.parse($("kits").textContent) : {};
const GRAMS = { kg: 1000, lb: 453.59237 };
const unit = page.dataset.unit || "kg";
const earlier = page.dataset.earlier === "yes";
const number = (text) => Number(String(text).trim().replace(",", "."));
const form = isSession ? $("entry") || $("entry-template").content.firstElementChild : null;
const lines = new Map(); // slot -> li
const first = new WeakMap(); // li -> what the server said of it
let chosen = null, lastSection = null, shownFor = null, lastItem = null, holdUntil = 0;

function sessionKey() {
  if (page.dataset.key) return page.dataset.key;
  const open = mine().filter((one) => one.write.kind === "set" && one.write.session.startsWith("n")
    && localDay(one.write.at) === page.dataset.day);
  if (open.length) return open[open.length - 1].write.session;
  page.dataset.key = `n${newId()}`;
  return page.dataset.key;
}
const localDay = (at) => {
  const d = new Date(at);
  return `${d.getFullYear()}-${String(d.getMonth() + 1).padStart(2, "0")}-${String(d.getDate()).padStart(2, "0")}`;
};
const ours = (item) => {
  const session = item.write.session;
  if (session === page.dataset.key || (page.dataset.logged && session === `l${page.dataset.logged}`)) return true;
  return !page.dataset.key && typeof session === "string" && session.startsWith("n") && localDay(item.write.at) === page.dataset.day;
};
const blank = (li) => ({ state: li.dataset.state, done: li.dataset.done ? JSON.parse(li.dataset.done) : null,
  set: li.dataset.set || null, version: Number(li.dataset.version || 0), last: null, first: null, why: "", item: null });

function remember() {
  for (const li of document.querySelectorAll("li.set")) {
    lines.set(li.dataset.slot, li);
    first.set(li, { ...blank(li), words: li.querySelector(".w").textContent, right: li.querySelector(".s").textContent });
  }
}
function section(prescription, exercise) {
  const all = [...document.querySelectorAll("#lifts .lift, section.lift")];
  return (prescription && all.find((one) => Number(one.dataset.prescription) === prescription))
    || all.find((one) => !one.dataset.prescription && Number(one.dataset.exercise) === exercise)
    || (!prescription && all.find((one) => Number(one.dataset.exercise) === exercise)) || null;
}
function addSection(exercise) {
  const option = document.querySelector(`[data-do="add-exercise"] option[value="${exercise}"]`);
  const made = $("lift-template").content.firstElementChild.cloneNode(true);
  Object.assign(made.dataset, { exercise, name: option ? option.textContent : "Exercise", step: unit === "kg" ? 2.5 : 5,
    measure: option ? option.dataset.measure : "load" });
  if (kits.barbell) made.dataset.kit = "barbell";
  made.querySelector("h2").textContent = made.dataset.name;
  $("lifts").append(made);
  return made;
}
function addLine(where, slot) {
  if (lines.has(slot)) return lines.get(slot);
  const li = $("line-template").content.firstElementChild.cloneNode(true);
  const list = where.querySelector(".sets");
  Object.assign(li.dataset, { slot, number: list.children.length + 1, added: "yes" });
  li.querySelector(".n").textContent = li.dataset.number;
  list.append(li);
  lines.set(slot, li);
  first.set(li, { ...blank(li), state: "added", words: "", right: "" });
  li.now = { ...first.get(li), chain: new Set() };
  return li;
}
function amountOf(done) {
  return done.seconds ? `${done.seconds} s` : done.metres ? `${done.metres} m` : String(done.reps);
}
function wordsOf(done) {
  const other = number(done.load) && otherUnit(number(done.load) * GRAMS[done.unit], done.unit);
  return `${done.load} ${done.unit}${other ? ` (${other})` : ""} x ${amountOf(done)}`;
}
function otherUnit(grams, shown) {
  const apart = shown !== unit || Object.values(kits).some((kit) => kit.plates.some((one) => !one[0].endsWith(unit)));
  if (!apart) return "";
  const unlike = shown === "kg" ? "lb" : "kg";
  return `${Math.round((grams / GRAMS[unlike]) * 100) / 100} ${unlike}`;
}
const rated = (done) => [done.failed ? "failed" : "", done.rpe || done.rpe === 0 ? `RPE ${number(done.rpe)}` : ""].filter(Boolean).join(", ");

// What the page shows is what the server said, and upon it every entry of this phone in its order.
function apply(item) {
  const { write, answer } = item;
  const onPage = item.state === "saved" && answer && answer.at <= made;
  if (write.kind === "set") {
    const known = answer && answer.set && [...lines.values()].find((li) => li.now.set === answer.set);
    if (known) { Object.assign(known.now, { last: item.id, first: item.id }); return; }
    if (onPage) return;
    const where = section(write.prescription, write.exercise) || addSection(write.exercise);
    let slot = write.prescription != null && write.planned_set != null ? `${write.prescription}-${write.planned_set}` : `x${item.id}`;
    if (lines.has(slot) && lines.get(slot).now.done && lines.get(slot).now.last !== item.id) slot = `x${item.id}`;
    const li = addLine(where, slot);
    Object.assign(li.now, { done: write, set: answer && answer.set, version: (answer && answer.version) || 1, last: item.id, first: item.id });
    stamp(li, item);
  } else if (write.kind === "amend" || write.kind === "remove") {
    const li = [...lines.values()].find(({ now }) => (item.root && (now.set === item.root || now.first === item.root)) || (write.set && now.set === write.set));
    if (!li || onPage) return;
    li.now.chain.add(item.id);
    if (write.kind === "remove" && item.state !== "refused") {
      Object.assign(li.now, { done: null, set: null, last: null, state: first.get(li).state === "added" || !li.dataset.amount ? "gone" : "planned" });
      return;
    }
    if (item.state !== "refused") Object.assign(li.now, { done: { ...li.now.done, ...write }, version: (answer && answer.version) || li.now.version });
    li.now.last = item.id;
    stamp(li, item);
  } else if (write.kind === "skip" && !onPage && item.state !== "refused") {
    for (const li of lines.values()) {
      const of = li.closest(".lift");
      const hit = write.prescription == null || Number(of && of.dataset.prescription) === Number(write.prescription);
      if (hit && !li.now.done && (write.planned_set == null || Number(li.dataset.planned) === Number(write.planned_set)) && li.dataset.planned !== undefined)
        li.now.state = write.undo ? "planned" : "skipped";
    }
  } else if (write.kind === "finish" && !onPage) {
    finished = item;
  }
}
function stamp(li, item) {
  li.now.state = item.state === "saved" ? "done" : item.state;
  li.now.why = item.why;
  li.now.item = item;
}
let finished = null;

function render() {
  if (!isSession) { say(); return; }
  finished = null;
  for (const li of lines.values()) li.now = { ...first.get(li), chain: new Set() };
  for (const item of mine()) if (ours(item) || ["amend", "remove"].includes(item.write.kind)) apply(item);
  for (const li of lines.values()) {
    const { state, done, why, words, right } = li.now;
    li.hidden = state === "gone" || (state === "added" && li !== chosen);
    li.dataset.state = state;
    const w = li.querySelector(".w"), s = li.querySelector(".s");
    w.textContent = done && li.now.item ? wordsOf(done) : done ? words : state === "skipped" && !words ? "" : planWords(li) || words;
    const told = done ? rated(done) : "";
    if (state === "waiting") s.textContent = `${told}${told ? ", " : ""}on this phone`;
    else if (state === "refused") s.textContent = `Refused: ${why} Tap to put it right.`;
    else if (done && li.now.item) s.textContent = `${told}${told ? ", " : ""}saved`;
    else if (state === "skipped") s.textContent = "skipped";
    else if (!done && li.dataset.amount) s.textContent = li.dataset.rpe ? `RPE ${li.dataset.rpe}` : "";
    else s.textContent = right;
  }
  place();
  say();
}
function planWords(li) {
  if (!li.dataset.amount) return "";
  const load = li.dataset.load;
  const other = load && otherUnit(number(load) * GRAMS[unit], unit);
  return `${load ? `${load} ${unit}${other ? ` (${other})` : ""} x ` : ""}${li.dataset.amount}`;
}

// The one form, at the set to do next or the one that was tapped ----------------------------------------
const inOrder = () => [...document.querySelectorAll("li.set")];
function next() {
  const open = inOrder().filter((li) => li.now.state === "planned" && !li.hidden);
  return open.find((li) => li.closest(".lift") === lastSection) || open[0] || null;
}
function place() {
  if (chosen && chosen.hidden) chosen = null;
  const isDone = finished || page.dataset.finished === "yes";
  const at = chosen || (isDone || earlier ? null : next());
  for (const li of lines.values()) li.classList.toggle("now", li === at);
  const go = $("go");
  if (!at) {
    form.remove();
    shownFor = null;
    const finish = $("finish");
    const can = finish && !isDone;
    go.hidden = !can;
    if (can) { press("finish", "Finish session", ""); minutes(); }
    const part = $("finish-part");
    if (part) { part.hidden = Boolean(isDone); part.classList.toggle("at-foot", Boolean(can)); }
    return;
  }
  const part = $("finish-part");
  if (part) { part.hidden = Boolean(isDone); part.classList.remove("at-foot"); }
  const mark = `${at.dataset.slot}/${at.now.done ? at.now.last || at.now.set : ""}/${at.now.version}`;
  if (shownFor !== mark || form.parentElement !== at) { at.append(form); fill(at); shownFor = mark; }
  go.hidden = false;
  press("entry", at.now.state === "refused" ? "Save again" : at.now.done ? "Save change" : `Set ${at.dataset.number} done`, "");
  tell();
}
function press(id, what, set) {
  const go = $("go");
  go.type = "submit";
  go.setAttribute("form", id);
  $("go-what").textContent = what;
  $("go-set").textContent = set;
}
// The button says what it stores: the form may be scrolled out of sight.
function tell() {
  const where = form.closest(".lift");
  if (!where || $("go").getAttribute("form") !== "entry") return;
  const e = form.elements, measure = where.dataset.measure || "load";
  const amount = measure === "load" ? e.reps.value : measure === "time" ? `${e.seconds.value} s` : `${e.metres.value} m`;
  $("go-set").textContent = `${where.dataset.swappedName || where.dataset.name} ${e.load.value && e.load.value !== "0" ? `${e.load.value} ${form.dataset.unit || unit} x ` : ""}${amount}`;
}
function fill(li) {
  const where = li.closest(".lift"), measure = where.dataset.measure || "load";
  const done = li.now.state === "refused" ? { ...li.now.done, ...li.now.item.write } : li.now.done;
  const before = inOrder().filter((one) => one !== li && one.closest(".lift") === where && one.now.done && !one.now.done.warm_up);
  const previous = before[before.length - 1];
  const set = (name, value) => { form.elements[name].value = value == null ? "" : String(value); };
  for (const part of form.querySelectorAll("[data-field]")) {
    const name = part.dataset.field;
    part.hidden = (name === "reps" && measure !== "load") || (name === "seconds" && measure !== "time") || (name === "metres" && measure !== "distance");
    part.querySelectorAll("button").forEach((button) => { button.hidden = false; });
  }
  const shownUnit = done ? done.unit || unit : unit;
  form.querySelector(".unit").textContent = shownUnit;
  form.dataset.unit = shownUnit;
  if (done) {
    for (const name of ["load", "reps", "rpe", "seconds", "metres", "note"]) set(name, done[name]);
    form.elements.failed.checked = Boolean(done.failed);
  } else {
    const d = li.dataset;
    let load = d.load || "";
    // Who put more or less on the bar than planned keeps it for the sets that were planned the same.
    if (previous && previous.now.done.unit === unit && (!load || previous.dataset.load === load)) load = previous.now.done.load;
    set("load", load || (measure === "load" ? "" : "0"));
    set("reps", d.reps || (previous ? previous.now.done.reps : ""));
    set("rpe", d.rpe || (previous && !d.amount ? previous.now.done.rpe : ""));
    set("seconds", d.seconds || (previous ? previous.now.done.seconds : ""));
    set("metres", d.metres || (previous ? previous.now.done.metres : ""));
    set("note", "");
    form.elements.failed.checked = false;
  }
  form.querySelector(".note-part").open = Boolean(form.elements.note.value);
  form.querySelector(".comment").hidden = false;
  form.elements.comment.disabled = false;
  set("comment", "");
  const why = form.querySelector(".why");
  why.hidden = li.now.state !== "refused";
  why.textContent = li.now.state === "refused" ? li.now.why : "";
  const buttons = { "skip-set": !done && li.dataset.planned !== undefined && page.dataset.seen !== undefined && !earlier, "take-out": Boolean(done), close: li === chosen };
  for (const [name, shown] of Object.entries(buttons)) form.querySelector(`[data-do="${name}"]`).hidden = !shown;
  conflict(li);
  draw();
  tell();
}
function conflict(li) {
  form.querySelector(".theirs")?.remove();
  const theirs = li.now.item && li.now.state === "refused" && li.now.item.answer && li.now.item.answer.theirs;
  if (!theirs) return;
  const box = document.createElement("p");
  box.className = "theirs";
  box.textContent = `Stored now: ${wordsOf(theirs)}${rated(theirs) ? `, ${rated(theirs)}` : ""}. Save again to put yours in its place, or `;
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "keep what is stored";
  button.dataset.do = "keep-theirs";
  box.append(button);
  form.querySelector(".why").after(box);
}

// Plates on one side: the fewest that make the load, larger ones first ------------------------------------
function perSide(grams, kit) {
  const plates = [...kit.plates].sort((a, b) => b[1] - a[1]);
  let best = null;
  const go = (at, rest, used) => {
    if (Math.abs(rest) < 0.5) { if (!best || used.length < best.length) best = used; return; }
    if (at === plates.length || rest < 0 || (best && used.length >= best.length)) return;
    const [, mass, pairs] = plates[at];
    for (let n = Math.min(pairs, Math.floor((rest + 0.5) / mass)); n >= 0; n--) go(at + 1, rest - n * mass, [...used, ...Array(n).fill(plates[at])]);
  };
  go(0, (grams - kit.bar[1] - 2 * kit.collar[1]) / 2, []);
  return best;
}
function draw() {
  const box = $("plates") || form.querySelector(".plates");
  const where = form.closest(".lift");
  const kit = where && kits[where.dataset.kit];
  const grams = number(form.elements.load.value) * GRAMS[form.dataset.unit || unit];
  box.replaceChildren();
  if (!kit || !Number.isFinite(grams) || grams <= 0) return;
  const found = perSide(grams, kit);
  const words = document.createElement("p");
  const bar = `${kit.bar[0]} bar${kit.collar[0] ? `, collars ${kit.collar[0]} each` : ", no collars"}`;
  if (!found) {
    words.className = "no-plates";
    words.textContent = grams < kit.bar[1] ? "It is lighter than the bar with its collars." : "No combination of the plates makes it.";
  } else if (!found.length) {
    words.textContent = `${bar}, nothing on it`;
  } else {
    box.append(picture(found));
    const units = [...new Set(found.map((one) => one[0].split(" ")[1]))];
    const sides = document.createElement("span");
    sides.className = "sides";
    sides.textContent = `each side ${found.map((one) => one[0].split(" ")[0]).join(" ")} ${units.length === 1 ? units[0] : "(kg and lb)"}`;
    const below = document.createElement("span");
    below.className = "quiet";
    below.textContent = bar;
    words.append(sides, document.createElement("br"), below);
  }
  const other = otherUnit(grams, form.dataset.unit || unit);
  if (other) words.append(document.createElement("br"), `${other}`);
  box.append(words);
}
function picture(found) {
  const ns = "http://www.w3.org/2000/svg", svg = document.createElementNS(ns, "svg");
  const put = (name, attributes) => {
    const made = document.createElementNS(ns, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    svg.append(made);
  };
  for (const [key, value] of Object.entries({ viewBox: "0 0 132 64", width: 132, height: 64, "aria-hidden": "true" })) svg.setAttribute(key, value);
  put("path", { class: "sleeve", d: "M0 32H132" });
  const step = Math.min(16, 118 / found.length);
  found.forEach(([, grams, , colour], at) => {
    const height = grams >= 9900 ? 58 : 20 + 3.4 * (grams / 1000);
    put("rect", { class: `disc disc-${colour}`, x: 8 + at * step, y: (64 - height) / 2, width: step - 2, height, rx: 2 });
  });
  return svg;
}

// What a tap does ------------------------------------------------------------------------------------------
function problem() {
  const value = (name) => form.elements[name].value.trim();
  const measure = form.closest(".lift").dataset.measure || "load";
  const load = number(value("load")), reps = number(value("reps")), rpe = value("rpe") === "" ? null : number(value("rpe"));
  if (value("load") === "" || !Number.isFinite(load) || load < 0 || load * GRAMS[form.dataset.unit] > 1e6) return ["load", "Enter the load, for example 82.5."];
  if (measure === "load" && (!Number.isInteger(reps) || reps < 0 || reps > 200 || value("reps") === "")) return ["reps", "Enter the reps you did, a whole number."];
  if (measure === "load" && reps === 0 && !form.elements.failed.checked) return ["reps", "Enter the reps you did. If none went up, tick that the last rep failed."];
  if (measure === "time" && !(number(value("seconds")) >= 1)) return ["seconds", "Enter the seconds."];
  if (measure === "distance" && !(number(value("metres")) >= 1)) return ["metres", "Enter the metres."];
  if (rpe !== null && !(rpe >= 1 && rpe <= 10 && Number.isInteger(Math.round(rpe * 1000) / 100))) return ["rpe", "RPE is a number from 1 to 10, such as 8 or 8.5."];
  return null;
}
function work() {
  const e = form.elements, measure = form.closest(".lift").dataset.measure || "load";
  const whole = (name) => (e[name].value.trim() === "" ? null : Math.round(number(e[name].value)));
  return { load: e.load.value.trim(), unit: form.dataset.unit || unit, reps: measure === "load" ? whole("reps") : 0,
    rpe: e.rpe.value.trim() === "" ? null : number(e.rpe.value), failed: e.failed.checked, note: e.note.value.trim(),
    seconds: measure === "time" ? whole("seconds") : null, metres: measure === "distance" ? whole("metres") : null };
}
async function store(...made) {
  try { await keep(...made); return true; } catch {
    made.forEach((one) => items.delete(one.id));
    warn("This phone could not store it: its storage is full or closed. Write the set down on paper.");
    return false;
  }
}
const exerciseOf = (where) => Number(where.dataset.swapped || where.dataset.exercise);

async function done() {
  const li = form.closest("li.set");
  if (Date.now() < holdUntil || !li) return;
  const wrong = problem();
  const why = form.querySelector(".why");
  why.hidden = !wrong;
  why.textContent = wrong ? wrong[1] : "";
  if (wrong) { form.elements[wrong[0]].focus(); return; }
  const go = $("go");
  // A finger that lands twice must not log the next set.
  holdUntil = Date.now() + 300;
  go.setAttribute("aria-disabled", "true");
  setTimeout(() => go.removeAttribute("aria-disabled"), 300);
  const where = li.closest(".lift"), item = li.now.item, values = work();
  const comment = form.elements.comment.value.trim();
  let made = null;
  if (isGone(item)) await forgetSet(li);
  if (li.now.done && !isGone(item) && !(item && item.state === "refused" && item.write.kind === "set")) {
    if (item?.state === "refused" || Object.keys(values).some((name) => (values[name] ?? "") !== (li.now.done[name] ?? ""))) made = await change(li, values);
  } else {
    const fields = item && item.write.kind === "set" ? item.write : { session: sessionKey(), exercise: exerciseOf(where),
      prescription: where.dataset.prescription ? Number(where.dataset.prescription) : null,
      planned_set: li.dataset.planned !== undefined ? Number(li.dataset.planned) : null,
      number: Math.min(Number(li.dataset.number), 99), day: earlier ? page.dataset.day : null,
      seen: page.dataset.seen ? Number(page.dataset.seen) : null, warm_up: false };
    made = make("set", { ...fields, ...values, kind: "set" });
    if (item && item.write.kind === "set") { made.write.at = item.write.at; made.write.offset = item.write.offset; await forget(item.id); }
    if (!await store(made)) return;
    if (li.dataset.added) { lines.delete(li.dataset.slot); li.remove(); }
    if (!item && !earlier) rest(Number(li.dataset.rest || 120));
  }
  if (comment) {
    const of = made && made.write.kind === "set" ? made.id : li.now.first;
    await store(make("message", { body: comment, ...(li.now.set && !(made && made.write.kind === "set") ? { set: li.now.set } : { of }) }));
  }
  lastItem = made;
  lastSection = where;
  chosen = null;
  render();
  reveal();
  stayAwake();
  flush();
}
async function change(li, values) {
  const last = items.get(li.now.last);
  if (last && last.state === "waiting" && !last.tried) { // it has never left the phone
    Object.assign(last.write, values);
    await store(last);
    return last;
  }
  const theirs = last && last.state === "refused" && last.answer;
  let about;
  if (theirs && theirs.set) about = { set: theirs.set, version: theirs.version };
  else if (li.now.set && !(last && last.state === "waiting")) about = { set: li.now.set, version: li.now.version };
  else about = { of: li.now.last };
  const made = { ...make("amend", { ...values, ...about }), root: li.now.set || li.now.first };
  if (theirs) await forget(last.id);
  await store(made);
  return made;
}
const isGone = (item) => Boolean(item && item.state === "refused" && item.answer && item.answer.theirs === null);
// The set was taken out elsewhere: this phone's own memory of it goes too.
async function forgetSet(li) {
  const about = [li.now.first, li.now.set];
  await forget(...mine().filter((one) => one.id === li.now.first || (one.root && about.includes(one.root))).map((one) => one.id));
  Object.assign(first.get(li), { done: null, set: null, state: li.dataset.amount ? "planned" : "gone", right: "" });
}
async function keepTheirs(li) {
  const { theirs, set, version } = li.now.item.answer;
  await forget(li.now.item.id);
  Object.assign(first.get(li), { done: theirs, set, version, state: "done", words: wordsOf(theirs), right: [rated(theirs), "saved"].filter(Boolean).join(", ") });
  chosen = null;
  render();
}
async function takeOut(li) {
  if (isGone(li.now.item)) {
    await forgetSet(li);
    chosen = null;
    render();
    return;
  }
  const last = items.get(li.now.last);
  const chain = mine().filter((one) => one.id === li.now.last || li.now.chain.has(one.id));
  if (last && last.write.kind === "set" && (last.state === "refused" || (last.state === "waiting" && !last.tried))) await forget(last.id);
  else {
    if (last && last.state === "refused") await forget(...chain.filter((one) => one.state === "refused").map((one) => one.id));
    const known = li.now.set && !(last && last.state === "waiting");
    const version = (last && last.answer && last.answer.version) || li.now.version;
    await store({ ...make("remove", known ? { set: li.now.set, version } : { of: li.now.last }), root: li.now.set || li.now.first });
  }
  chosen = null;
  lastItem = null;
  render();
  flush();
}
async function undo() {
  const item = lastItem;
  lastItem = null;
  if (!item || !items.has(item.id)) return;
  if (item.state === "waiting" && !item.tried) await forget(item.id);
  else if (item.write.kind === "skip") await store(make("skip", { ...item.write, kind: "skip", undo: true }));
  else if (item.write.kind === "set") await store({ ...make("remove", item.answer && item.answer.set ? { set: item.answer.set, version: item.answer.version } : { of: item.id }), root: item.id });
  stopRest();
  render();
  flush();
}
function reveal() {
  if (form.isConnected) form.scrollIntoView({ block: "nearest" });
  else if ($("finish-part") && !$("finish-part").hidden) $("finish-part").scrollIntoView({ block: "nearest" });
}
function minutes() {
  const field = $("finish").elements.minutes;
  const times = mine().filter((one) => ours(one) && one.write.kind === "set").map((one) => one.write.at);
  if (!field.value && times.length) field.value = String(Math.max(1, Math.round((Date.now() - Math.min(...times)) / 60_000)));
}
async function finish(event) {
  event.preventDefault();
  const e = $("finish").elements;
  const taken = e.minutes.value.trim();
  if (taken !== "" && !(Number.isInteger(number(taken)) && number(taken) >= 1 && number(taken) <= 600)) { warn("Minutes must be a whole number from 1 to 600."); e.minutes.focus(); return; }
  const made = make("finish", { session: sessionKey(), rpe: e.rpe.value === "" ? null : Number(e.rpe.value),
    minutes: taken === "" ? null : number(taken), note: e.note.value.trim(), day: earlier ? page.dataset.day : null,
    version: page.dataset.sessionVersion ? Number(page.dataset.sessionVersion) : null });
  if (!await store(made)) return;
  stopRest();
  chosen = null;
  render();
  await flush();
  // Fetch the summary; what is not sent yet stays on the page that is shown.
  if (made.state === "saved" && !waiting().length) location.assign(location.pathname);
}
async function skip(fields) {
  const made = make("skip", { session: sessionKey(), ...fields });
  if (!await store(made)) return;
  lastItem = made;
  chosen = null;
  render();
  reveal();
  flush();
}

// What was refused and stands on no line of this page is listed at its top, until it is let go.
const KINDS = { set: "A set", amend: "A change of a set", remove: "A set taken out", finish: "The rating of a session", skip: "A skipped part", check_in: "A check-in", pain: "A pain report", pain_over: "A pain that is gone", message: "A message", restore: "A set put back" };
function refusals() {
  const box = $("refusals");
  if (!box) return;
  const onLines = new Set([...lines.values()].map((li) => li.now && li.now.item && li.now.state === "refused" ? li.now.item.id : ""));
  const listed = mine().filter((one) => one.state === "refused" && !onLines.has(one.id));
  box.hidden = !listed.length;
  box.querySelectorAll("p").forEach((one) => one.remove());
  for (const one of listed) {
    const { write } = one, line = document.createElement("p"), button = document.createElement("button");
    const what = write.load !== undefined ? `: ${wordsOf(write)}` : write.body ? `: ${write.body.slice(0, 80)}` : "";
    line.textContent = `${KINDS[write.kind] || "An entry"} of ${localDay(write.at)}${what}. ${one.why} `;
    Object.assign(button, { type: "button", textContent: "Let it go" });
    button.dataset.drop = one.id;
    line.append(button);
    box.append(line);
  }
}

// What is said at the foot -----------------------------------------------------------------------------------
let warned = "";
function warn(words) { warned = words; say(); }
function say() {
  refusals();
  const box = $("outbox");
  if (!box) return;
  const queue = waiting(), refused = mine().filter((one) => one.state === "refused").length;
  const saved = isSession ? [...lines.values()].filter((li) => li.now && li.now.done && li.now.state === "done").length : 0;
  const others = [...items.values()].filter((one) => one.lifter !== lifter && one.state === "waiting").length;
  const parts = [];
  const sets = (n) => `${n} ${n === 1 ? "set" : "sets"}`;
  if (warned) parts.push(warned);
  if (saved) parts.push(`${sets(saved)} saved`);
  if (queue.length) parts.push(`${queue.length} waiting on this phone`);
  if (refused) parts.push(`${refused} refused`);
  if (others) parts.push(lifter ? `${others} of another lifter kept on this phone` : `${others} kept on this phone, to be sent when the link is open`);
  let text = parts.join(", ");
  if (text && !/[.]$/.test(text)) text += ".";
  if (queue.length && trouble === "ended") text += " Your private link has ended: nothing is lost. Ask your coach for a new link and open it on this phone.";
  else if (queue.length && trouble === "busy") text += " The server is busy; it will be tried again.";
  if (box.textContent !== text) box.textContent = text;
  box.parentElement.classList.toggle("warn", Boolean(warned || refused || trouble === "ended"));
  const button = $("undo");
  if (button) button.hidden = !(lastItem && items.has(lastItem.id) && ["set", "skip"].includes(lastItem.write.kind) && lastItem.state !== "refused");
}

// Rest, by the time it ends: it goes on while the phone is locked ------------------------------------------------
let ringing = 0;
function rest(seconds) {
  localStorage.setItem("terrace-rest", JSON.stringify({ end: Date.now() + seconds * 1000 }));
  tick();
}
function stopRest() { localStorage.removeItem("terrace-rest"); tick(); }
function tick() {
  const box = $("rest");
  if (!box) return;
  let end = 0;
  try { end = JSON.parse(localStorage.getItem("terrace-rest") || "{}").end || 0; } catch { end = 0; }
  const left = Math.round((end - Date.now()) / 1000);
  const shown = end > 0 && left > -900;
  box.hidden = !shown;
  $("more-rest").hidden = !shown;
  if (!shown) return;
  const over = Math.abs(left);
  $("rest-left").textContent = `${left < 0 ? "+" : ""}${Math.floor(over / 60)}:${String(over % 60).padStart(2, "0")}`;
  box.classList.toggle("over", left < 0);
  if (left <= 0 && left > -3 && ringing !== end) { ringing = end; if (navigator.vibrate) navigator.vibrate([200, 100, 200]); }
}
let lock = null;
async function stayAwake() {
  if (lock || !navigator.wakeLock || document.visibilityState !== "visible") return;
  try { lock = await navigator.wakeLock.request("screen"); lock.addEventListener("release", () => { lock = null; }); } catch { lock = null; }
}

// Other forms: a check-in, a pain report, a message ------------------------------------------------------------------
function formFields(data) {
  const fields = {};
  for (const [name, value] of new FormData(data)) if (!["csrf", "back", "id", "kind"].includes(name) && value !== "") fields[name] = value;
  return fields;
}
async function writeForm(event) {
  event.preventDefault();
  const data = event.target, fields = formFields(data);
  for (const field of data.querySelectorAll("[data-needed]")) if (!(field.name in fields)) { warn(field.dataset.needed); field.focus(); return; }
  const kind = data.elements.kind.value;
  if (kind === "check_in" && !["sleep", "soreness", "stress", "motivation", "body_mass", "note"].some((name) => name in fields)) { warn("Answer at least one question, or leave the check-in out."); return; }
  const made = make(kind, fields);
  if (!await store(made)) return;
  await Promise.race([flush(), new Promise((go) => setTimeout(go, 1500))]);
  if (made.state === "refused") { warn(made.why); await forget(made.id); return; }
  if (navigator.serviceWorker?.controller || made.state === "saved") location.assign(data.dataset.back);
  else { data.reset(); warn("It is stored on this phone and will be sent by itself."); }
}

// Begin ----------------------------------------------------------------------------------------------------------------
document.addEventListener("submit", (event) => {
  const what = event.target.dataset.do;
  if (event.target === form) { event.preventDefault(); done(); }
  else if (what === "finish") finish(event);
  else if (what === "write") writeForm(event);
  else if (what === "skip" || what === "unskip") {
    event.preventDefault();
    const fields = formFields(event.target);
    skip({ prescription: fields.prescription ? Number(fields.prescription) : null, planned_set: null, reason: fields.reason || "", undo: what === "unskip" });
    const around = event.target.closest("details");
    if (around) around.open = false;
  } else if (what === "swap") {
    event.preventDefault();
    const where = event.target.closest(".lift"), option = event.target.elements.swap.selectedOptions[0];
    if (option.value) Object.assign(where.dataset, { swapped: option.value, swappedName: option.textContent, measure: option.dataset.measure });
    else { delete where.dataset.swapped; delete where.dataset.swappedName; }
    where.querySelector("h2").firstChild.textContent = `${option.value ? option.textContent : where.dataset.name} `;
    for (const li of where.querySelectorAll("li.set")) if (option.value && !li.now.done) li.dataset.load = "";
    event.target.closest("details").open = false;
    shownFor = null;
    lastSection = where;
    render();
    reveal();
  } else if (what === "add-exercise") {
    event.preventDefault();
    const exercise = Number(event.target.elements.exercise.value);
    if (!exercise) return;
    addSet(section(null, exercise) || addSection(exercise));
  } else if (what === "leave" && waiting().length && !event.target.dataset.sure) {
    event.preventDefault();
    event.target.dataset.sure = "yes";
    warn(`${waiting().length} not sent yet would be lost. Press again to leave all the same.`);
  }
});
function addSet(where) {
  const made = addLine(where, `new${newId()}`);
  chosen = made;
  render();
  reveal();
}
document.addEventListener("click", (event) => {
  const line = event.target.closest("li.set > .line"), act = event.target.closest("[data-do]")?.dataset.do;
  const stepper = event.target.closest(".num button");
  if (line && isSession) {
    event.preventDefault();
    const li = line.parentElement;
    if (li.now.state === "skipped") { skip({ prescription: Number(li.closest(".lift").dataset.prescription), planned_set: Number(li.dataset.planned), undo: true }); return; }
    chosen = li;
    render();
    reveal();
    form.elements.load.focus({ preventScroll: true });
  } else if (stepper) {
    const part = stepper.closest(".num"), field = part.querySelector("input"), up = stepper.classList.contains("up") ? 1 : -1;
    const size = part.dataset.field === "load" ? Number(form.closest(".lift").dataset.step) : { reps: 1, rpe: 0.5, seconds: 5, metres: 5 }[part.dataset.field];
    const now = field.value.trim() === "" ? (part.dataset.field === "rpe" ? 7.5 : 0) : number(field.value);
    if (!Number.isFinite(now)) return;
    const limit = { rpe: 10, reps: 200 }[part.dataset.field] || 1e5;
    field.value = String(Math.round(Math.min(limit, Math.max(part.dataset.field === "rpe" ? 1 : 0, now + up * size)) * 100) / 100);
    draw();
    tell();
  } else if (act === "add-set") { event.preventDefault(); event.target.closest("details").open = false; addSet(event.target.closest(".lift")); }
  else if (act === "skip-set") { const li = form.closest("li.set"); skip({ prescription: Number(li.closest(".lift").dataset.prescription), planned_set: Number(li.dataset.planned) }); }
  else if (act === "take-out") takeOut(form.closest("li.set"));
  else if (act === "close") { chosen = null; render(); }
  else if (act === "keep-theirs") keepTheirs(form.closest("li.set"));
  else if (event.target.dataset?.drop) forget(event.target.dataset.drop).then(render);
  else if (event.target.id === "undo") undo();
  else if (event.target.id === "more-rest") {
    const end = JSON.parse(localStorage.getItem("terrace-rest") || "{}").end || Date.now();
    rest(Math.max(30, (end - Date.now()) / 1000 + 30));
  }
});
document.addEventListener("focusin", (event) => { if (event.target.matches?.(".num input")) event.target.select(); });
document.addEventListener("input", (event) => {
  if (event.target.id === "load") draw();
  if (form && form.contains(event.target)) tell();
  if (warned) { warned = ""; say(); }
});
addEventListener("online", flush);
addEventListener("pageshow", (event) => { if (event.persisted) load().then(render).then(flush); });
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible") return;
  tick();
  if (lock === null && lastItem) stayAwake();
  load().then(() => { render(); return flush(); });
});
setInterval(tick, 500);
setInterval(() => { if (waiting().length) flush(); }, 30_000);

(async () => {
  if (isSession) remember();
  await load();
  const old = mine().filter((one) => one.state === "saved" && one.answer && Date.now() - one.answer.at > KEEP_SAVED_MS);
  if (old.length) await forget(...old.map((one) => one.id));
  if (isSession && form.isConnected) shownFor = null;
  render();
  tick();
  page.dataset.ready = "yes";
  const unread = document.querySelector("form.no-script");
  if (unread && page.dataset.newest) await store(make("read", { until: Number(page.dataset.newest) }));
  flush();
  // Nothing above waits for the worker: where it is blocked its promise never ends.
  if (navigator.serviceWorker) navigator.serviceWorker.register("/phone-sw.js").catch(() => {});
  if (navigator.storage?.persist) navigator.storage.persist().catch(() => {});
})();
})();
