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
