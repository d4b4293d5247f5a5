// The counter page swaps sentences, never boxes: after each swap the boxes are marked anew for whoever cannot
// see the sentence beside them. Without this file the page works; a refused post marks its boxes by itself.
"use strict";
document.addEventListener("htmx:afterSettle", () => {
  for (const box of document.querySelectorAll("#counter [aria-describedby]")) {
    const told = document.querySelector(`#counter [data-for="${CSS.escape(box.id)}"]`);
    if (told) box.setAttribute("aria-invalid", "true");
    else box.removeAttribute("aria-invalid");
  }
});

// A fast hand types before the page is ready to hear it: what stands in the box by then is looked up at once.
document.addEventListener("DOMContentLoaded", () => {
  const find = document.getElementById("find");
  if (find && find.value !== find.defaultValue) find.dispatchEvent(new Event("early"));
});
