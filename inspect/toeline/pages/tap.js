// A picture to tap: the first tap comes closer, the second one sets a point. Places are told as shares of the picture's sides.
const CLOSER = 4;

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const frame = parentElement.querySelector(".frame");
  const sheet = parentElement.querySelector(".sheet");
  const picture = parentElement.querySelector("img");
  if (picture.getAttribute("src") !== data.picture) picture.setAttribute("src", data.picture);
  for (const dot of sheet.querySelectorAll(".dot")) dot.remove();
  for (const [x, y] of data.points) {
    const dot = document.createElement("span");
    dot.className = "dot";
    dot.style.left = `${100 * x}%`;
    dot.style.top = `${100 * y}%`;
    sheet.append(dot);
  }
  picture.onclick = (event) => {
    const box = picture.getBoundingClientRect();
    const x = (event.clientX - box.left) / box.width;
    const y = (event.clientY - box.top) / box.height;
    if (!frame.classList.contains("close")) {
      sheet.style.transformOrigin = `${100 * x}% ${100 * y}%`;
      sheet.style.transform = `scale(${CLOSER})`;
      frame.classList.add("close");
      return;
    }
    frame.classList.remove("close");
    sheet.style.transform = "none";
    setTriggerValue("tapped", [x, y]);
  };
}
