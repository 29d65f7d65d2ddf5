// Keeps the key for this tab alone and leaves no page behind that holds it.
sessionStorage.setItem("rampwright-key", document.body.dataset.token);
location.replace("/");
