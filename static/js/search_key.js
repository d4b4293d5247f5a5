// One key leads to the search from any page: "/", outside a box or in a search that is still empty.
"use strict";
document.addEventListener("keydown", (event) => {
  if (event.key !== "/" || event.ctrlKey || event.altKey || event.metaKey || document.querySelector("dialog[open]")) return;
  const at = event.target;
  const isTyping = at.isContentEditable || at.matches("textarea, select, input:not([type=checkbox], [type=radio])");
  const search = document.getElementById("search") ?? document.getElementById("seek");
  if (!search || at === search || (isTyping && !(at.type === "search" && at.value === ""))) return;
  event.preventDefault();
  search.focus();
  search.select();
});
