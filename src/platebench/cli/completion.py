"""``platebench completion``: what a shell needs to complete our commands."""

from __future__ import annotations

import click

from platebench.cli.options import ExampledCommand

VARIABLE = "_PLATEBENCH_COMPLETE"


@click.command(
    "completion",
    cls=ExampledCommand,
    short_help="Print the script that lets your shell complete commands.",
    examples=(
        'eval "$(platebench completion bash)"                 # in ~/.bashrc',
        'eval "$(platebench completion zsh)"                  # in ~/.zshrc',
        "platebench completion fish > ~/.config/fish/completions/platebench.fish",
    ),
)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def command(ctx: click.Context, shell: str) -> None:
    """Print the completion script of SHELL: bash (4.4 or newer), zsh or fish.

    With it the tabulator key completes commands, options and their choices, folders, the plates of
    the session you named, and printing processes.
    """
    from click.shell_completion import get_completion_class

    found = get_completion_class(shell)
    if found is None:  # click would have dropped a shell
        raise click.UsageError(f"this version of click knows no completion for {shell}")
    click.echo(found(ctx.find_root().command, {}, "platebench", VARIABLE).source())
