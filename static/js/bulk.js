// Ticks many lifters at once; without it each is ticked by hand.
"use strict";
document.addEventListener("click", (event) => {
  const what = event.target.closest("[data-tick]")?.dataset.tick;
  if (!what) return;
  for (const box of event.target.closest("form").querySelectorAll("input[name=lifter]")) {
    box.checked = what === "all" || (what === "ending" && Number(box.dataset.ends) <= 14);
  }
});
