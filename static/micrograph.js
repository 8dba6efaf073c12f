// Clicks on the picture write points into the field that was last in use: three make an outline, a fourth starts anew.
"use strict";
(() => {
  const picture = document.querySelector("svg.micrograph");
  const fields = ["outer", "inner"].map((name) => document.getElementById(`f-${name}`)).filter(Boolean);
  if (!picture || !fields.length) return;
  let active = fields[0];
  const marks = [];
  fields.forEach((field) => field.addEventListener("focus", () => { active = field; }));
  picture.addEventListener("click", (event) => {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(picture.getScreenCTM().inverse());
    const before = active.value.split(";").map((part) => part.trim()).filter(Boolean);
    if (before.length >= 3) {
      before.length = 0;
      marks.splice(0).forEach((mark) => mark.remove());
    }
    before.push(`${(at.x - 0.5).toFixed(1)} ${(at.y - 0.5).toFixed(1)}`);
    active.value = before.join("; ");
    active.dispatchEvent(new Event("input", { bubbles: true }));
    const mark = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    mark.setAttribute("cx", at.x);
    mark.setAttribute("cy", at.y);
    mark.setAttribute("r", picture.viewBox.baseVal.width / 160);
    picture.append(mark);
    marks.push(mark);
  });
})();
