"use strict";
// On paper nothing is folded away
const folded = () => document.querySelectorAll("details:not([open])");
addEventListener("beforeprint", () => folded().forEach((one) => { one.open = true; one.dataset.folded = ""; }));
addEventListener("afterprint", () => document.querySelectorAll("[data-folded]").forEach((one) => {
  one.open = false;
  delete one.dataset.folded;
}));
