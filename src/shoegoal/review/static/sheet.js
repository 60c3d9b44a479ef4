// The sheet: how many sets are ticked, and Enter signs them.
"use strict";
(() => {
  const sheet = document.getElementById("sheet");
  if (!sheet) return;
  const button = sheet.querySelector("button.primary");
  const howMany = document.getElementById("how-many");
  const count = () => {
    const ticked = sheet.querySelectorAll("input[name=set]:checked").length;
    howMany.textContent = `${ticked} ${ticked === 1 ? "set" : "sets"}`;
    button.disabled = ticked === 0;
  };
  sheet.addEventListener("change", count);
  count();
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest("a, button, select, input:not([type=checkbox]), summary")) return;
    event.preventDefault();
    button.click();
  });
})();
