// Runs before the page is drawn, so that a chosen paper does not flash. See app.js for the switch.
try {
  const chosen = localStorage.getItem("proveout-theme");
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.theme = chosen;
} catch { /* storage refused: the device decides */ }
