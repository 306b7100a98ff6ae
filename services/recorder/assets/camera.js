// Labels read with the camera, in browsers that can read them (Barcode Detection API). Where a
// browser cannot, nothing is offered: scanners that type and the keyboard work everywhere.

const FORMATS = ["qr_code", "data_matrix", "code_128"];

/** Milliseconds between two looks at the picture. */
const LOOK_MS = 150;

/** What a camera sees first that is a label; null when the person closed it or there is no camera. */
async function read(words) {
  const dialog = document.createElement("dialog");
  dialog.className = "camera";
  const video = Object.assign(document.createElement("video"), { playsInline: true, muted: true });
  const close = Object.assign(document.createElement("button"), { type: "button", textContent: words.cameraClose });
  const told = Object.assign(document.createElement("p"), { role: "status" });
  dialog.append(video, told, close);
  document.body.append(dialog);
  dialog.showModal();
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  } catch {
    told.textContent = words.cameraNone;
  }
  return new Promise((resolve) => {
    let looking = 0;
    const end = (label) => {
      clearInterval(looking);
      for (const track of stream?.getTracks() ?? []) track.stop();
      dialog.remove();
      resolve(label);
    };
    close.addEventListener("click", () => end(null));
    dialog.addEventListener("cancel", () => end(null));
    if (!stream) return;
    video.srcObject = stream;
    video.play();
    const detector = new globalThis.BarcodeDetector({ formats: FORMATS });
    looking = setInterval(async () => {
      if (video.readyState < HTMLMediaElement.HAVE_CURRENT_DATA) return;
      const [found] = await detector.detect(video).catch(() => []);
      if (found?.rawValue) end(found.rawValue.trim());
    }, LOOK_MS);
  });
}

/** A field takes the label alone where its form asks for one kind of thing: `equipment/S-02` is
 *  then `S-02`. */
const fitting = (field, label) => (field.name === "find" || label.split("/").length !== 2 || field.dataset.camera === "whole" ? label : label.split("/")[1]);

/** Puts a button beside each field that takes a label. */
export function cameras() {
  const words = document.body.dataset;
  const fields = document.querySelectorAll("input[data-camera]");
  if (!("BarcodeDetector" in globalThis) || !navigator.mediaDevices?.getUserMedia) {
    // Said once a page: nobody should look for a button that cannot be there.
    const told = Object.assign(document.createElement("small"), { className: "hint", textContent: words.cameraNotHere });
    fields[0]?.parentElement.append(told);
    return;
  }
  for (const field of fields) {
    const button = Object.assign(document.createElement("button"), { type: "button", className: "plain", textContent: words.camera });
    button.addEventListener("click", async () => {
      const label = await read(words);
      field.focus();
      if (label === null) return;
      const taken = fitting(field, label);
      field.value = field.dataset.camera === "more" && field.value ? `${field.value} ${taken}` : taken;
      field.dispatchEvent(new Event("input", { bubbles: true }));
      field.dispatchEvent(new Event("change", { bubbles: true }));
      if (field.name === "find") field.form.requestSubmit();
    });
    field.after(button);
  }
}
