// Two runs are compared: the rest cannot be ticked meanwhile.

const form = document.querySelector(".picked");
if (form) {
  const boxes = [...form.querySelectorAll("[name=run]")];
  const button = form.querySelector("button");
  const said = document.getElementById("ticked");
  const count = () => {
    const n = boxes.filter((b) => b.checked).length;
    for (const b of boxes) b.disabled = n === 2 && !b.checked;
    button.disabled = n !== 2;
    said.textContent = n === 2 ? "" : `Tick ${2 - n} in the list`;
  };
  form.addEventListener("change", count);
  count();
}
