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

// A fast hand types before the page is ready to hear it: what stands in the boxes by then is followed at once.
document.addEventListener("DOMContentLoaded", () => {
  const differs = (box) => {
    if (box.type === "checkbox" || box.type === "radio") return box.checked !== box.defaultChecked;
    if (box.options) return box.value !== (box.querySelector("option[selected]") ?? box.options[0])?.value;
    return box.value !== box.defaultValue;
  };
  const find = document.getElementById("find");
  if (find && differs(find)) find.dispatchEvent(new Event("early"));
  const boxes = [...(document.getElementById("counter")?.querySelectorAll("input:not([type=hidden]), select, textarea") ?? [])];
  const typed = boxes.find((box) => box !== find && differs(box));
  if (typed) typed.dispatchEvent(new Event("input", { bubbles: true }));
});
