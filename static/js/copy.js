// Buttons that copy a field; without a secure context there is no clipboard, so the field is selected instead.
for (const button of document.querySelectorAll("[data-copy]")) {
  const field = document.getElementById(button.dataset.copy);
  button.hidden = false;
  if (!navigator.clipboard) button.textContent = "Select";
  button.addEventListener("click", async () => {
    field.select();
    if (!navigator.clipboard) return;
    await navigator.clipboard.writeText(field.value);
    button.textContent = "Copied";
    document.getElementById("said").textContent = "Copied";
  });
}
