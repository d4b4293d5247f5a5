// The counter page is merged with each answer of the server (idiomorph, by htmx). What is typed is the clerk's: a box
// takes what the answer says only where the server changed it and nobody has typed into it since it was sent.
"use strict";
// Chromium's tab may crash when a merge moves one node twice by this method; idiomorph does without it as well.
delete Element.prototype.moveBefore;
const standing = (box) => (box.type === "checkbox" ? String(box.checked) : box.value);
const bare = (text) => text.replace(/\s+/g, " ").trim();
const sendings = new WeakMap(); // request -> what stood in each box when the page was sent with it
let sent = new Map(); // the same, of the request whose answer is merged
const taken = new WeakMap(); // request -> the words of the quick line that were sent with it
let goesOn = false; // whether somebody types the next words while an answer is merged

document.addEventListener("htmx:beforeSend", (event) => {
  const form = document.getElementById("counter");
  if (!form?.contains(event.target) || event.detail.requestConfig.verb !== "post") return;
  const boxes = new Map([...form.elements].map((box) => [box, standing(box)]));
  sendings.set(event.detail.xhr, boxes);
  const { entered } = form.elements;
  if (!entered.value) return;
  taken.set(event.detail.xhr, entered.value);
  entered.value = "";
  boxes.set(entered, "");
});

// Words leave the quick line with Enter, so that the next can be typed while an answer is on its way.
document.addEventListener("keydown", ({ key, target, isComposing }) => {
  if (key !== "Enter" || isComposing || target.id !== "quick" || !target.value.trim()) return;
  const { entered } = target.form.elements;
  entered.value = [entered.value, target.value].filter(Boolean).join("; ");
  target.value = "";
});

for (const trouble of ["htmx:sendError", "htmx:responseError"])
  document.addEventListener(trouble, (event) => {
    const quick = document.getElementById("quick");
    if (quick && taken.has(event.detail.xhr)) quick.value = `${taken.get(event.detail.xhr)} ${quick.value}`.trim();
  });

document.addEventListener("htmx:beforeSwap", (event) => {
  sent = sendings.get(event.detail.xhr) ?? sent;
  const quick = document.getElementById("quick");
  goesOn = quick?.value && document.activeElement === quick && taken.has(event.detail.xhr);
});

document.addEventListener("htmx:afterSettle", () => {
  if (goesOn) document.getElementById("quick")?.focus(); // no answer takes the box away from whoever types on in it
  goesOn = false;
});

const isTyped = (box, fresh) => {
  if (box.name !== fresh.name || !sent.has(box)) return false;
  return standing(box) !== sent.get(box) || bare(standing(fresh)) === bare(sent.get(box));
};

const write = (fresh, box) => {
  if (box.type === "checkbox") fresh.toggleAttribute("checked", box.checked);
  else if (!fresh.options) fresh.setAttribute("value", box.value);
  else for (const option of fresh.options) option.toggleAttribute("selected", option.value === box.value);
};

Object.assign(Idiomorph.defaults.callbacks, {
  beforeNodeMorphed: (old, fresh) => {
    if (old.id === "found") {
      const find = document.getElementById("find"); // who is found follows what is typed, by requests of its own
      return !find || !sent.has(find) || standing(find) === sent.get(find);
    }
    if (old.matches?.("input, select") && fresh.matches("input, select") && isTyped(old, fresh)) {
      // Words that were not understood come back before those that were typed meanwhile.
      const was = sent.get(old);
      const typed = old.value.slice(was.length);
      if (old.id === "quick" && typed && fresh.value !== was && old.value.startsWith(was)) old.value = `${fresh.value} ${typed.trimStart()}`.trimStart();
      write(fresh, old);
    }
    return true;
  },
  afterNodeMorphed: (old, fresh) => {
    if (old.localName === "select" && old.value !== fresh.value) old.value = fresh.value;
  },
  beforeAttributeUpdated: (name, node) => name !== "open" || node.localName !== "details",
});

// Enter in the search for a customer chooses the only one found; in any other box it does not choose who pays.
document.addEventListener("keydown", (event) => {
  const press = document.querySelector("#counter > [name=action]");
  if (event.key === "Enter" && press) press.value = event.target.id === "find" ? "find" : "enter";
}, { capture: true });

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
