// What every page needs: parts swapped in by htmx are announced, and errors get the focus.
document.addEventListener("htmx:afterSwap", (event) => {
  const errors = event.target.querySelector?.(".errors") ?? document.querySelector(".errors[autofocus]");
  if (errors) errors.focus();
  const said = event.detail?.xhr?.getResponseHeader("X-Said");
  if (said) document.getElementById("said").textContent = decodeURIComponent(said);
});
document.addEventListener("htmx:responseError", (event) => {
  const said = document.getElementById("said");
  said.classList.remove("visually-hidden");
  said.classList.add("said");
  said.textContent = event.detail.xhr.status === 503
    ? "The database is busy. Nothing was stored; try again in a moment."
    : "That was not done. Load the page again and repeat the change.";
});
