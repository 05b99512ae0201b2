"""``tsfit completion``: the script with which a shell completes commands and options."""

import click


@click.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> int:
    """Print the script that makes SHELL complete tsfit's commands and options with the Tab key.

    \b
    Example:
      eval "$(tsfit completion bash)"
      tsfit completion bash >> ~/.bashrc
      tsfit completion zsh >> ~/.zshrc
      tsfit completion fish > \\
          ~/.config/fish/completions/tsfit.fish
    """  # noqa: D301
    from click.shell_completion import get_completion_class

    from tsfit.cli import tsfit

    complete = get_completion_class(shell)
    assert complete is not None
    click.echo(complete(tsfit, {}, "tsfit", "_TSFIT_COMPLETE").source())
    return 0
