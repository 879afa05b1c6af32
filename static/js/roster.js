// Moving through the roster by keyboard. Arrows work from a lifter's name; single keys can be switched off.
(() => {
  const dialog = document.getElementById("keys");
  const opener = document.getElementById("keys-open");
  const on = document.getElementById("keys-on");
  if (!dialog) return;
  const STORE = "terrace-single-keys";
  const remembered = (() => { try { return localStorage.getItem(STORE); } catch { return null; } })();
  on.checked = remembered !== "off";
  on.addEventListener("change", () => {
    try { localStorage.setItem(STORE, on.checked ? "on" : "off"); } catch { /* Not remembered, still off now. */ }
  });
  opener.hidden = false;
  opener.addEventListener("click", () => dialog.showModal());

  const names = () => [...document.querySelectorAll(".roster .name")];
  const move = (by) => {
    const all = names();
    if (!all.length) return;
    const row = document.activeElement?.closest(".roster tr");
    const here = row ? all.findIndex((one) => row.contains(one)) : -1;
    const next = here < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(Math.max(here + by, 0), all.length - 1);
    all[next].focus();
    all[next].closest("tr").scrollIntoView({ block: "nearest" });
  };

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || dialog.open) return;
    const typing = event.target.closest("input, select, textarea, [contenteditable]");
    const inRows = event.target.closest(".roster");
    let done = true;
    if (inRows && event.key === "ArrowDown") move(1);
    else if (inRows && event.key === "ArrowUp") move(-1);
    else if (event.target.id === "find" && event.key === "Escape" && event.target.value === "") event.target.blur();
    else if (typing || !on.checked) return;
    else if (event.key === "j") move(1);
    else if (event.key === "k") move(-1);
    else if (event.key === "d") document.activeElement?.closest(".roster tr")?.querySelector(".do .button")?.click();
    else if (event.key === "/") document.getElementById("find")?.focus();
    else if (event.key === "?") dialog.showModal();
    else done = false;
    if (done) event.preventDefault();
  });

  // A swap that answers what was typed is said aloud once, as a count.
  document.addEventListener("htmx:afterSwap", (event) => {
    if (event.detail?.target?.id !== "rows" && event.target.id !== "rows") return;
    if (document.activeElement?.id !== "find" && document.activeElement?.closest("#look") === null) return;
    const count = names().length;
    document.getElementById("said").textContent = count === 1 ? "1 lifter shown" : `${count} lifters shown`;
  });
})();
