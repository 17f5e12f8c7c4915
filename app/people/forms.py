"""What a person may type about people."""

from app.errors import Refused
from app.people.models import Hat
from app.web.forms import Field, Form

HAT_CHOICES = [(hat.value, hat.value) for hat in Hat]


class SignInForm(Form):
    fields_declared = {
        "login": Field("Sign-in name", autocomplete="username", longest=120),
        "password": Field("Password", kind="password", autocomplete="current-password"),
        "next": Field("Next", kind="hidden", required=False, longest=400),
        "kept": Field("Kept", kind="hidden", required=False, longest=1_000_000),
        "kept_path": Field("Kept path", kind="hidden", required=False, longest=400),
    }


class AcceptForm(Form):
    fields_declared = {
        "login": Field("Sign-in name", hint="A name or address to sign in with; you will type it in the hall.",
                       autocomplete="username", longest=80),
        "name": Field("Your name", autocomplete="name", longest=80),
        "password": Field("Password", kind="password", hint="At least 10 characters.", autocomplete="new-password"),
    }  # fmt: skip


class InviteForm(Form):
    fields_declared = {
        "name": Field("Name", longest=80),
        "initials": Field("Initials", longest=6, hint="Two or three letters, unique in the programme."),
        "hats": Field("Hats", kind="checkboxes", choices=HAT_CHOICES, hint="One person may wear several."),
    }


class HatsForm(Form):
    fields_declared = {
        "hats": Field("Hats", kind="checkboxes", choices=HAT_CHOICES),
        "why": Field("Why", longest=300, required=False),
    }


class ReasonForm(Form):
    fields_declared = {"why": Field("Why", longest=300)}


class PasswordForm(Form):
    fields_declared = {
        "old": Field("Present password", kind="password", autocomplete="current-password"),
        "new": Field("New password", kind="password", hint="At least 10 characters.", autocomplete="new-password"),
    }

    def refuse(self, refused: Refused) -> None:
        if refused.field == "password":
            refused.field = "new"
        super().refuse(refused)
