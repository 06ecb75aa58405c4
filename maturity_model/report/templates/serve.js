// At home the file goes straight into the log.
window.deliver = async (blob) => {
  try {
    const answer = await fetch("/add", { method: "POST", headers: { "Content-Type": blob.type }, body: blob });
    if (answer.status === 403) return { fault: "This device has to enter a new code: open the first page." };
    return await answer.json();
  } catch {
    return { fault: "The computer with the log does not answer. Your answers are kept here: try again." };
  }
};
